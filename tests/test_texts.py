"""Sentences in the reader's language: said, said again, and complete in every language there is."""

from __future__ import annotations

import ast
import copy
import pickle
import re
from collections.abc import Iterator
from pathlib import Path
from string import Formatter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from remakes import texts, words
from remakes.evidence.estimate import Estimate
from remakes.texts import Said, anew, in_english, later, said, speak, t, tn
from tests.texts_missing import ROOT, Sentence, fields_of, has_words, known, missing, python_files, sentences, skeleton

REMAKES = ROOT / "remakes"
LANGUAGES = [code for code in texts.LANGUAGES if code != "en"]
#: English and the other language in one, with the reason.
SAME_IN_BOTH = {
    "Name": "the same word",
    "Person": "the same word",
    "Signal": "the same word",
    "signal": "the same word but for its capital",
    "Material": "the same word",
    "Transport": "the same word",
    "Onlay": "the same word",
    "Veneer": "the kind of restoration; the layer on a framework is another word",
    "Inlay": "the same word",
    "April": "the same word",
    "August": "the same word",
    "September": "the same word",
    "November": "the same word",
    "PDF": "a kind of file",
    "Patient": "the same word",
    "in": "the same word",
    "import": "the same word but for its capital",
    "odds ratio (95 %": "a term of statistics",
}


#: Parts of the program whose sentences have not been translated yet.
TO_TRANSLATE = {
    "cli": "the command line",
}


@pytest.fixture(autouse=True)
def _english_again() -> Iterator[None]:
    yield
    speak("en")


@pytest.fixture
def other(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Sentences of German for one test."""
    found: dict[str, str] = {}
    monkeypatch.setattr(said, "catalogue", lambda _code: found)
    return found


def test_a_sentence_is_said_again_in_another_language(other: dict[str, str]) -> None:
    other["{n} returns with {defect}"] = "{n} Rückläufer mit {defect}"
    other["chipping"] = "Abplatzung"
    sentence = t("{n} returns with {defect}", n=3, defect=t("chipping"))
    assert sentence == "3 returns with chipping"
    speak("de")
    assert t(sentence) == "3 Rückläufer mit Abplatzung"
    assert in_english(t(sentence)) == "3 returns with chipping"
    speak("en")
    assert t(t(sentence)) == "3 returns with chipping"


def test_numbers_have_the_signs_of_the_language_and_words_keep_theirs() -> None:
    sentence = t("{ratio:,.2f} {version}", ratio=1234.5, version="1.5")
    assert sentence == "1,234.50 1.5"
    speak("de")
    assert t(sentence) == "1\u202f234,50 1.5"
    assert t("{yes}", yes=True) == "True"


def test_one_is_told_from_many(other: dict[str, str]) -> None:
    other |= {"{n} return": "{n} Rückläufer", "{n} returns": "{n} Rückläufer"}
    assert [tn(n, "{n} return", "{n} returns") for n in (0, 1, 2)] == ["0 returns", "1 return", "2 returns"]
    speak("de")
    assert tn(1, "{n} return", "{n} returns") == "1 Rückläufer"


def test_a_sentence_that_does_not_fit_its_values_is_said_in_english(other: dict[str, str]) -> None:
    other["{a} of {b}"] = "{a} von {c}"
    other["{a} alone"] = "{a:d} allein"
    other["{a} open"] = "{a offen"
    speak("de")
    assert t("{a} of {b}", a=1, b=2) == "1 of 2"
    assert t("{a} alone", a="x") == "x alone"
    assert t("{a} open", a="x") == "x open"


@pytest.mark.parametrize("template", ["{missing}", "{", "}", "{a.b}", "{a[3]}", "{a:d}", "{0}", "{}", "{a!q}"])
def test_no_template_breaks_a_page(template: str) -> None:
    assert t(template, a="x") == template


@given(st.dictionaries(st.sampled_from(["a", "b", "c"]), st.text() | st.integers() | st.floats(), min_size=1))
def test_values_come_out_as_they_are(values: dict[str, object]) -> None:
    template = " and ".join(f"{{{name}}}" for name in values)
    assert t(template, **values) == " and ".join(as_read(value) for value in values.values())


def as_read(value: object) -> str:
    """As Python writes it, with the minus sign of axes; a nothing has no sign."""
    text = str(value)
    if isinstance(value, str) or not text.startswith("-"):
        return text
    return text[1:] if value == 0 else f"\N{MINUS SIGN}{text[1:]}"


@pytest.mark.parametrize(
    ("value", "said"), [(-37.2, "\N{MINUS SIGN}37"), (-1000, "\N{MINUS SIGN}1,000"), (-0.4, "0"), (0.4, "0")]
)
def test_a_negative_number_has_the_minus_sign_of_axes_and_nothing_has_none(value: float, said: str) -> None:
    assert t("{value:,.0f}", value=value) == said
    assert t("{text}", text="-37") == "-37"


def test_a_text_kept_for_later_gets_its_values_where_it_is_said() -> None:
    kept = later("Begins on {start}.")
    assert t(kept, start="Monday") == "Begins on Monday."
    assert t(t(kept, start="Monday"), start="Friday") == "Begins on Monday."


@given(st.text())
def test_without_values_braces_are_ordinary_signs(text: str) -> None:
    assert t(text) == text == t(t(text)) == later(text)


@given(st.text(alphabet="ab{}:!.[]"), st.text(alphabet="ab{}:!.[]"))
def test_nothing_a_person_wrote_is_taken_for_a_template(inner: str, text: str) -> None:
    sentence = t("{inner}: {text}", inner=t("{given}", given=inner), text=text)
    assert sentence == f"{inner}: {text}" == t(sentence)


@given(st.recursive(st.text(alphabet="ab{"), lambda inner: inner.map(lambda one: t("({one})", one=one)), max_leaves=4))
def test_sentences_in_sentences_can_be_copied_kept_and_said_again(sentence: str) -> None:
    outer = t("{inner}!", inner=sentence)
    for again in (copy.deepcopy(outer), pickle.loads(pickle.dumps(outer)), t(outer)):
        assert again == outer
        assert isinstance(again, Said)
        assert t(again) == outer


def test_what_a_function_says_is_said_anew_by_it() -> None:
    sentence = t("{defect}!", defect=words.defect_within("chipping"))
    assert sentence == "chipping!"
    speak("de")
    assert t(sentence) == "Abplatzung!"
    assert t(pickle.loads(pickle.dumps(sentence))) == "Abplatzung!"
    assert t(_doubled("5")) == "55"


@anew
def _doubled(text: str) -> str:
    return text * 2


def test_an_unknown_language_is_english() -> None:
    speak("xx")
    assert texts.language() == "en"


def test_figures_read_as_german_writes_them() -> None:
    speak("de")
    assert words.interval(Estimate(6.11, 4.01, 9.28)) == "6,1 (4,0 bis 9,3)"
    assert words.interval(Estimate(2.0, 0.5, float("inf"))) == "2,0 (0,5 bis ohne obere Grenze)"
    assert words.figure(float("nan")) == "nicht schätzbar"
    assert words.share(Estimate(0.05, 0.028, 0.088)) == "5,0 % (2,8 % bis 8,8 %)"
    assert words.month("2026-10") == "Oktober 2026"
    assert words.spelled("Seit 2026-03.") == "Seit März 2026."
    assert words.counted(1, "restoration") == "1 Restauration"
    assert words.counted(2, "restoration") == "2 Restaurationen"
    assert words.times(2.5) == "etwa 2,5-mal so oft"
    assert words.listed(["a", "b", "c"], joint="or") == "a, b oder c"
    assert words.defect("show_through") == words.defect_within("show_through") == "Durchscheinen"


def _names(text: str) -> frozenset[str]:
    return frozenset(name for name, *_ in fields_of(text))


def _all() -> list[Sentence]:
    return sentences([REMAKES])


def test_every_sentence_gets_the_values_that_it_names() -> None:
    wrong = [
        f"{one.file.name}:{one.line}: {one.text}"
        for one in _all()
        # Without values braces are ordinary signs.
        if one.names and _names(one.text) - one.names
    ]
    assert wrong == []


def _translated() -> list[Path]:
    left = TO_TRANSLATE.keys() | NOT_YET.keys()
    return [file for file in python_files([REMAKES]) if not left & {*file.relative_to(REMAKES).parts}]


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_sentence_has_its_own_in_each_language(code: str) -> None:
    wanting = [f"{one.file.relative_to(ROOT)}: {one.text}" for one in missing(_translated(), code)]
    assert wanting == []


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_sentence_of_a_language_keeps_names_and_formats(code: str) -> None:
    uneven = [english for english, own in known(code).items() if _fields(english) != _fields(own)]
    assert uneven == []


def _fields(text: str) -> object:
    try:
        return fields_of(text)
    except ValueError:
        # Braces as ordinary signs.
        return sorted(letter for letter in text if letter in "{}")


@pytest.mark.parametrize("code", LANGUAGES)
def test_no_language_has_sentences_that_nobody_says(code: str) -> None:
    spoken = {one.text for one in _all()}
    assert [english for english in known(code) if english not in spoken] == []


@pytest.mark.parametrize("code", LANGUAGES)
def test_what_reads_the_same_in_both_languages_does_so_for_a_reason(code: str) -> None:
    allowed = {text.casefold() for text in SAME_IN_BOTH}
    same = [
        english
        for english, own in known(code).items()
        if english.casefold() == own.casefold() and _bare(english).casefold() not in allowed and _bare(english)
    ]
    assert same == []


def _bare(text: str) -> str:
    """The words without what is filled in."""
    bare = "".join(before for before, *_ in Formatter().parse(text)).strip(" :.,()„“”") if has_words(text) else ""
    return bare if _WORD.search(bare) else ""


@pytest.mark.parametrize("code", LANGUAGES)
def test_a_sentence_in_two_files_reads_the_same_in_both(code: str) -> None:
    from babel.messages.pofile import read_po

    found: dict[str, set[str]] = {}
    for file in (REMAKES / "texts" / code).glob("*.po"):
        with file.open("rb") as opened:
            for one in read_po(opened, locale=code, charset="utf-8", abort_invalid=True):
                if one.id:
                    found.setdefault(str(one.id), set()).add(str(one.string))
    assert {english: own for english, own in found.items() if len(own) > 1} == {}


def test_the_skeleton_lists_what_is_missing_and_only_that(tmp_path: Path) -> None:
    file = tmp_path / "code.py"
    file.write_text(
        't("return {a}\\n", a=1)\nt("cannot be estimated")\ntn(2, "{n} \\"owl\\"", "{n} owls")\n'
        't("dusk" if x else "night")\nlater("kept")\nt(unknown)\nt("{n:,}", n=1)\n'
    )
    found = missing([file], "de")
    assert [one.text for one in found] == ["return {a}\n", '{n} "owl"', "{n} owls", "dusk", "night"]
    assert 'msgid "{n} \\"owl\\""\nmsgstr ""' in skeleton(found, "de")


# What reaches a reader has gone through t(): by the syntax of the pages.

#: Modules of pages that have not been looked at yet.
NOT_YET = {
    "page_icon.py": "a picture",
}
#: Functions that show what they are given.
_SHOW = {
    "answer", "button", "caption", "checkbox", "download_button", "error", "expander", "file_uploader",
    "form_submit_button", "go", "header", "how_sure", "info", "link_button", "markdown", "metric", "multiselect",
    "offer_csv", "offer_json", "on_request", "page", "pills", "radio", "segmented_control", "select_slider",
    "selectbox", "slider", "spinner", "subheader", "success", "table", "text_area", "text_input", "title", "toggle",
    "warning", "write",
}  # fmt: skip
_SHOWN_BY_NAME = {"label", "placeholder", "help", "alt", "button", "brings"}
#: One letter, such as q, is a sign.
_WORD = re.compile(r"[^\W\d_]{2}")


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def _unsaid(node: ast.expr | None) -> Iterator[str]:
    """Words in an argument that no t() has said."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and _WORD.search(node.value):
        yield node.value
    for one in _inside(node):
        yield from _unsaid(one)


def _inside(node: ast.expr | None) -> list[ast.expr | None]:
    """Where an argument may hold its words."""
    match node:
        case ast.JoinedStr(values=parts):
            return [part for part in parts if isinstance(part, ast.Constant)]
        case ast.IfExp(body=body, orelse=orelse):
            return [body, orelse]
        case ast.BinOp(left=left, right=right):
            return [left, right]
        case ast.Tuple(elts=elements) | ast.List(elts=elements):
            return [*elements]
        case ast.Starred(value=value) | ast.GeneratorExp(elt=value) | ast.ListComp(elt=value):
            return [value]
        case ast.Dict(keys=keys, values=values):
            return [*keys, *values]
        case ast.Call(args=arguments) if _called(node) == "join":
            return [*arguments]
    return []


def _shown(node: ast.Call) -> Iterator[ast.expr]:
    """What a call shows: its first argument and those that have a name for it."""
    name = _called(node)
    if (
        isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Call)
        and "Logger" in _called(node.func.value)
    ):
        # Written into the log of the program, not shown.
        return
    if name in _SHOW and name not in {"go", "on_request", "offer_csv", "offer_json"}:
        yield from node.args[:1]
    if name == "go":
        yield from node.args[1:2]
    if name in _SHOW or name.endswith("_chart"):
        yield from (word.value for word in node.keywords if word.arg in _SHOWN_BY_NAME)


def _page_files() -> list[Path]:
    pages = REMAKES / "views"
    return [file for file in sorted(pages.rglob("*.py")) if not NOT_YET.keys() & {*file.relative_to(pages).parts}]


@pytest.mark.parametrize("file", _page_files(), ids=lambda file: file.name)
def test_no_page_shows_a_sentence_that_cannot_be_said_in_another_language(file: Path) -> None:
    tree = ast.parse(file.read_text("utf-8"))
    found = [
        f"{node.lineno}: {text}"
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        for argument in _shown(node)
        for text in _unsaid(argument)
    ]
    # Rows of tables: their heads and what their cells say.
    found += [
        f"{node.lineno}: {text}"
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef) and function.name.endswith("row") and "plain" not in function.name
        for node in ast.walk(function)
        if isinstance(node, ast.Dict)
        for text in _unsaid(node)
    ]
    assert found == []


def test_what_is_not_said_is_found() -> None:
    call = ast.parse('st.markdown(f"{n} returns" if n else "\\n".join(["none", t("x")]))', mode="eval").body
    assert isinstance(call, ast.Call)
    assert [text for shown in _shown(call) for text in _unsaid(shown)] == [" returns", "none"]
