"""Photos of returned pieces: only pictures, nothing in them but the picture, never lost and never deleted."""

from __future__ import annotations

import io
import os
import struct
import time
import zlib
from datetime import date
from pathlib import Path

import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from remakes.errors import EntryError, NotAllowedError
from remakes.records.entries import enter_return
from remakes.records.look_up import latest_returns
from remakes.records.permissions import Actor
from remakes.records.photos import (
    PHOTOS_VARIABLE,
    add_photo,
    copy_photos,
    list_photos,
    photos_folder,
    photos_left,
    read_photo,
    sweep_photos,
    void_photo,
)
from remakes.records.pictures import LONGEST_SIDE, MOST_BYTES, clean_picture
from remakes.records.store import Store, open_store
from remakes.records.upkeep import backup, check

RETURN: dict[str, object] = {"restoration_id": "B-1001", "reported_on": "2026-03-20", "defect": "chipping"}
SECRET = b"47.0707 N 15.4395 E"


@pytest.fixture
def returned(lab: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Store, str]:
    """A lab with one return, and a folder for photos on either kind of database."""
    if lab.sqlite_path is None:
        monkeypatch.setenv(PHOTOS_VARIABLE, str(tmp_path / "pictures"))
    enter_return(lab, RETURN, who="QA", today=date(2026, 4, 1))
    return lab, latest_returns(lab)[0].return_id


def jpeg(size: tuple[int, int] = (60, 40), *, turned: int = 1) -> bytes:
    """Red on the left, blue on the right, with a place, a comment and a camera in it."""
    image = Image.new("RGB", size, "red")
    image.paste("blue", (size[0] // 2, 0, *size))
    exif = Image.Exif()
    exif[0x0112] = turned
    exif[0x010F] = SECRET.decode()
    exif.get_ifd(0x8825)[1] = SECRET.decode()
    to = io.BytesIO()
    image.save(to, "JPEG", exif=exif, comment=SECRET, quality=95, icc_profile=SECRET)
    return to.getvalue()


def png(mode: str = "RGB", size: tuple[int, int] = (60, 40)) -> bytes:
    info = PngInfo()
    info.add_text("Comment", SECRET.decode())
    to = io.BytesIO()
    Image.new(mode, size).save(to, "PNG", pnginfo=info)
    return to.getvalue()


def claims(width: int, height: int) -> bytes:
    """A file of a few bytes that says it is this large."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 99)) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    "content",
    [jpeg(), png(), png("RGBA"), png("P"), png("L"), png("1")],
    ids=["JPEG", "colour", "transparent", "palette", "grey", "black"],
)
def test_nothing_is_kept_but_the_picture(content: bytes) -> None:
    assert SECRET in content
    picture = clean_picture(content)
    assert SECRET not in picture.content
    with Image.open(io.BytesIO(picture.content)) as opened:
        assert (opened.format or "").lower() == picture.kind
        assert not opened.getexif()
        assert not {"comment", "icc_profile", "exif", "Comment"} & set(opened.info)


def test_the_turning_is_applied() -> None:
    picture = clean_picture(jpeg(turned=6))  # to be turned clockwise by a quarter
    assert (picture.width, picture.height) == (40, 60)
    with Image.open(io.BytesIO(picture.content)) as opened:
        above, below = opened.getpixel((20, 5)), opened.getpixel((20, 55))
    assert isinstance(above, tuple)
    assert isinstance(below, tuple)
    assert above[0] > 200 > below[0]


@pytest.mark.parametrize("size", [(5000, 2500), (2500, 5000)])
def test_a_large_photo_is_made_smaller(size: tuple[int, int]) -> None:
    picture = clean_picture(jpeg(size))
    assert sorted((picture.width, picture.height)) == [LONGEST_SIDE // 2, LONGEST_SIDE]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no photo"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "no photo"),
        (b"GIF89a\x01\x00\x01\x00\x00\x00\x00;", "no photo"),
        (jpeg()[:300], "damaged"),
        (png()[:60], "damaged"),
        (claims(20_000, 20_000), "50 million pixels"),
        (claims(9_000, 9_000), "50 million pixels"),
        (b"\xff\xd8\xff" + b"\0" * MOST_BYTES, "10 are the most"),
    ],
    ids=["empty", "drawing", "animation", "half a JPEG", "half a PNG", "bomb", "large claim", "many bytes"],
)
def test_what_is_no_photo_is_refused_by_its_content(content: bytes, words: str) -> None:
    with pytest.raises(EntryError, match=words):
        clean_picture(content)


def test_a_photo_is_kept_with_its_return(returned: tuple[Store, str]) -> None:
    store, return_id = returned
    figures = store.figures_version()
    photo = add_photo(store, return_id, jpeg(), who="QA")
    assert list_photos(store, restoration_id="B-1001") == (photo,)
    assert list_photos(store, restoration_id="B-1002") == ()
    content = read_photo(store, photo)
    assert content is not None
    assert len(content) == photo.bytes
    assert (photo.kind, photo.width, photo.height, photo.added_by) == ("jpeg", 60, 40, "QA")
    assert return_id not in photo.file
    assert store.figures_version() == figures


def test_a_photo_of_an_unknown_return_leaves_nothing_behind(returned: tuple[Store, str]) -> None:
    store, _ = returned
    with pytest.raises(EntryError, match="Save the return first"):
        add_photo(store, "R-none", jpeg(), who="QA")
    assert photos_left(store).orphans == ()


def test_who_may_not_enter_returns_adds_no_photo(returned: tuple[Store, str]) -> None:
    store, return_id = returned
    bench = store.acting_as(Actor(code="T1", roles=frozenset({"technician"})))
    with pytest.raises(NotAllowedError):
        add_photo(bench, return_id, jpeg(), who="T1")
    assert photos_left(store).orphans == ()


def test_a_photo_taken_back_is_kept(returned: tuple[Store, str]) -> None:
    store, return_id = returned
    photo = add_photo(store, return_id, png(), who="QA")
    with pytest.raises(EntryError, match="No reason"):
        void_photo(store, photo.photo_id, who="QA", why=" ")
    with pytest.raises(EntryError, match="2,001 signs; at most 2,000"):
        void_photo(store, photo.photo_id, who="QA", why="a" * 2001)
    void_photo(store, photo.photo_id, who="QA2", why="wrong piece")
    (kept,) = list_photos(store)
    assert (kept.voided, kept.voided_by, kept.voided_why) == (True, "QA2", "wrong piece")
    assert read_photo(store, kept) is not None
    with pytest.raises(EntryError, match="taken back before"):
        void_photo(store, photo.photo_id, who="QA", why="again")
    with pytest.raises(EntryError, match="no photo 99"):
        void_photo(store, 99, who="QA", why="slip")


def test_another_picture_in_its_place_is_not_shown(returned: tuple[Store, str]) -> None:
    store, return_id = returned
    photo = add_photo(store, return_id, jpeg(), who="QA")
    (photos_folder(store) / photo.file).write_bytes(b"something else")
    assert read_photo(store, photo) is None


def test_lost_and_orphaned_files_are_told_and_swept(returned: tuple[Store, str]) -> None:
    store, return_id = returned
    photo = add_photo(store, return_id, jpeg(), who="QA")
    folder = photos_folder(store)
    (folder / photo.file).rename(folder / "stray.jpg")
    assert (photos_left(store).orphans, photos_left(store).missing) == (("stray.jpg",), (photo.file,))
    told = {one.severity: one.text for one in check(store) if "photo" in one.text}
    assert photo.file in told["fault"]
    assert "stray.jpg" in told["remark"]
    assert sweep_photos(store, who="QA") == 0  # it may be on its way to a row
    old = time.time() - 7200
    os.utime(folder / "stray.jpg", (old, old))
    assert sweep_photos(store, who="QA") == 1
    assert photos_left(store).orphans == ()


def test_a_backup_takes_the_photos_along(returned: tuple[Store, str], tmp_path: Path) -> None:
    store, return_id = returned
    photo = add_photo(store, return_id, jpeg(), who="QA")
    if store.sqlite_path is None:
        assert copy_photos(store, tmp_path / "copied") == 1
        return
    backup(store, tmp_path / "copy.sqlite")
    copy = open_store(str(tmp_path / "copy.sqlite"))
    assert read_photo(copy, photo) == read_photo(store, photo)
    assert [one.text for one in check(copy) if "photo" in one.text] == []
    copy.close()


def test_a_server_needs_a_folder_by_name(lab: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(PHOTOS_VARIABLE, raising=False)
    if lab.sqlite_path is not None:
        assert photos_folder(lab) == lab.sqlite_path.with_name("lab.sqlite.photos")
        return
    enter_return(lab, RETURN, who="QA", today=date(2026, 4, 1))
    with pytest.raises(EntryError, match=PHOTOS_VARIABLE):
        add_photo(lab, latest_returns(lab)[0].return_id, jpeg(), who="QA")
    assert list_photos(lab) == ()
