"""The pages outside the app: sign in, and the first manager. Small, by keyboard, and asking nothing of other hosts."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Final

from remakes.records.passwords import LEAST_SIGNS, LONGEST_PASSWORD
from remakes.records.typed_text import LONGEST_CODE
from remakes.texts import language, t
from remakes.views.ahead import program_parts

__all__ = ["first_manager", "message", "signing_in"]

#: The same colours as the app's.
_STYLE: Final = """
:root { color-scheme: light dark; --ground: #fcfbf8; --field: #fff; --text: #0b0c0e; --line: #6b6f76;
  --accent: #00446b; --on: #fff; --bad: #9b1c1c; }
@media (prefers-color-scheme: dark) { :root { --ground: #15181c; --field: #22272d; --text: #f4f3ef; --line: #9aa0a8;
  --accent: #1f6fb2; --bad: #ff9c8f; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--ground); color: var(--text); font: 1.0625rem/1.5 system-ui, sans-serif; }
main { max-width: 26rem; margin: 0 auto; padding: 3rem 1.25rem; }
h1 { font-size: 1.9rem; line-height: 1.2; margin: 0 0 1rem; }
label { display: block; margin: 1rem 0 .25rem; font-weight: 600; }
input { width: 100%; min-height: 2.75rem; padding: .5rem .75rem; font: inherit; color: inherit;
  background: var(--field); border: 1px solid var(--line); border-radius: .25rem; }
button { width: 100%; min-height: 3rem; margin-top: 1.5rem; font: inherit; font-weight: 600; color: var(--on);
  background: var(--accent); border: 1px solid var(--accent); border-radius: .25rem; cursor: pointer; }
:focus-visible { outline: 3px solid var(--accent); outline-offset: 2px; }
.error { border-left: .25rem solid var(--bad); padding: .25rem .75rem; font-weight: 600; color: var(--bad); }
.hint { margin: .25rem 0 0; font-size: .95rem; }
a { color: inherit; }
"""


def signing_in(*, nonce: str, to: str, code: str = "", error: str = "") -> str:
    """The form for code and password; `to` is where it leads."""
    fields = (
        _field("code", t("Your code"), value=code, complete="username", most=LONGEST_CODE, first=not code),
        _field("password", t("Password"), secret=True, complete="current-password", first=bool(code)),
    )
    hint = t("Your code is the pseudonym the manager gave you, such as T1. Forgotten? A manager sets a new password.")
    return _form(t("Sign in"), nonce, fields, to=to, error=error, button=t("Sign in"), hint=hint)


def first_manager(*, nonce: str, to: str, word_needed: bool, code: str = "", error: str = "") -> str:
    """The form for the first manager's code and password."""
    password_hint = t("At least {n} signs. Several words in a row are easy to remember.", n=LEAST_SIGNS)
    fields = [
        _field(
            "code",
            t("Your code, a pseudonym such as M1"),
            value=code,
            complete="username",
            most=LONGEST_CODE,
            first=True,
        ),
        _field("password", t("Choose a password"), secret=True, complete="new-password", hint=password_hint),
        _field("again", t("The password once more"), secret=True, complete="new-password"),
    ]
    if word_needed:
        word_hint = t("The window that started the app printed it when this page was opened.")
        fields.append(_field("word", t("One-time word"), complete="off", hint=word_hint))
    hint = t(
        "Nobody can sign in yet. The first person is a manager, who adds the others under People and set-up. "
        "Give a pseudonym, never a name."
    )
    return _form(t("The first manager"), nonce, fields, to=to, error=error, button=t("Begin"), hint=hint)


def message(title: str, text: str, *, nonce: str) -> str:
    """A page that says one thing and leads back."""
    body = f'<h1>{escape(title)}</h1><p role="alert">{escape(text)}</p>'
    return _page(title, f'{body}<p><a href="/signin">{escape(t("Sign in"))}</a></p>', nonce)


def _form(
    title: str, nonce: str, fields: tuple[str, ...] | list[str], *, to: str, error: str, button: str, hint: str
) -> str:
    said = f'<p class="error" role="alert" id="error">{escape(error)}</p>' if error else ""
    inside = "".join(fields)
    body = (
        f'<h1>{escape(title)}</h1><p>{escape(hint)}</p>{said}<form method="post" action="/signin">'
        f'<input type="hidden" name="next" value="{escape(to)}">{inside}'
        f'<button type="submit">{escape(button)}</button></form>'
    )
    return _page(title, body, nonce, program_parts())


def _field(
    name: str,
    label: str,
    *,
    value: str = "",
    secret: bool = False,
    complete: str,
    most: int = LONGEST_PASSWORD,
    hint: str = "",
    first: bool = False,
) -> str:
    kind = "password" if secret else "text"
    plain = "" if secret else ' autocapitalize="none" spellcheck="false"'
    focus = " autofocus" if first else ""
    described = f' aria-describedby="{name}-hint"' if hint else ""
    below = f'<p class="hint" id="{name}-hint">{escape(hint)}</p>' if hint else ""
    return (
        f'<label for="{name}">{escape(label)}</label><input id="{name}" name="{name}" type="{kind}" required '
        f'maxlength="{most}" value="{escape(value)}" autocomplete="{complete}"{plain}{described}{focus}>{below}'
    )


def _page(title: str, body: str, nonce: str, ahead: Iterable[str] = ()) -> str:
    fetched = "".join(f'<link rel="prefetch" href="{escape(one)}">' for one in ahead)
    return (
        f'<!doctype html><html lang="{language()}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)} - remakes</title>"
        f'<style nonce="{nonce}">{_STYLE}</style>{fetched}</head><body><main>{body}</main></body></html>'
    )
