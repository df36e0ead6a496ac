"""A photo as it came from a camera, made into a plain picture: checked by content, nothing but the picture kept."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Final, Literal

from PIL import Image, ImageOps, UnidentifiedImageError

from remakes.errors import EntryError
from remakes.texts import t

__all__ = ["LONGEST_SIDE", "MOST_BYTES", "MOST_PIXELS", "Picture", "clean_picture"]

#: Enough for a close look at a break on any screen; common practice.
LONGEST_SIDE: Final = 2400
MOST_BYTES: Final = 10 * 1024 * 1024
#: A file of a few kilobytes can claim a picture that fills the memory.
MOST_PIXELS: Final = 50_000_000
_JPEG_QUALITY: Final = 88
#: What the library calls the kinds that are taken; several pictures in one file come from some phones.
_KINDS: Final[dict[str, Literal["jpeg", "png"]]] = {"JPEG": "jpeg", "MPO": "jpeg", "PNG": "png"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A clean picture; `content` is the whole file."""

    content: bytes
    kind: Literal["jpeg", "png"]
    width: int
    height: int


def clean_picture(content: bytes) -> Picture:
    """The picture of a file and nothing else: no place, no time, no camera, no thumbnail, no comments.

    Its turning is applied, a transparent ground becomes white, and its longest side is 2,400 pixels at most.

    Parameters
    ----------
    content : bytes
        A whole file; its name does not count.

    Raises
    ------
    EntryError
        Too large, neither JPEG nor PNG, or damaged.
    """
    if len(content) > MOST_BYTES:
        raise EntryError(
            t(
                "The photo has {seen} megabytes; {most} are the most. Take it again with a smaller setting.",
                seen=f"{len(content) / 1024**2:.0f}",
                most=MOST_BYTES // 1024**2,
            )
        )
    try:
        with Image.open(io.BytesIO(content), formats=("JPEG", "PNG")) as opened:
            kind = _KINDS[opened.format or ""]
            if opened.width * opened.height > MOST_PIXELS:
                raise _too_many_pixels()
            picture = _bare(opened)
    except EntryError:  # said already; it is a ValueError, too
        raise
    except UnidentifiedImageError as error:
        raise EntryError(
            t("This file is no photo in JPEG or PNG, whatever its name says. Choose a photo of the piece.")
        ) from error
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise _too_many_pixels() from error
    except (OSError, ValueError, SyntaxError, KeyError, ArithmeticError) as error:  # how damaged files show
        raise EntryError(t("The photo is damaged and cannot be read. Take or copy it again.")) from error
    return _written(picture, kind)


def _too_many_pixels() -> EntryError:
    return EntryError(
        t(
            "The photo has more than {most} million pixels. Take it again with a smaller setting.",
            most=MOST_PIXELS // 1_000_000,
        )
    )


def _bare(opened: Image.Image) -> Image.Image:
    # A JPEG can be read at half or a quarter of its size, which is much quicker.
    opened.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
    turned = ImageOps.exif_transpose(opened)
    turned.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    fresh = Image.new("RGB", turned.size, "white")
    if turned.has_transparency_data:
        with_ground = turned.convert("RGBA")
        fresh.paste(with_ground, mask=with_ground)
    else:
        fresh.paste(turned.convert("RGB"))
    return fresh


def _written(picture: Image.Image, kind: Literal["jpeg", "png"]) -> Picture:
    to = io.BytesIO()
    if kind == "jpeg":
        picture.save(to, "JPEG", quality=_JPEG_QUALITY)
    else:
        picture.save(to, "PNG")
    return Picture(content=to.getvalue(), kind=kind, width=picture.width, height=picture.height)
