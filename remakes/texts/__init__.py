"""What people read, in their language: English sentences are the keys, and every other language is one file beside.

A sentence is written whole in the code, with its values by name: ``t("{n} returns on {day}", n=3, day=day)``.
The files of a language (``de/*.po``, a common format that translators' programs read) hold the same sentence
with the same names. A sentence that they lack is shown in English.
"""

from remakes.texts.joining import either, in_a_row, lowered, raised, run_on
from remakes.texts.said import LANGUAGES, Said, anew, in_english, language, later, speak, speaking, t, tn

__all__ = [
    "LANGUAGES",
    "Said",
    "anew",
    "either",
    "in_a_row",
    "in_english",
    "language",
    "later",
    "lowered",
    "raised",
    "run_on",
    "speak",
    "speaking",
    "t",
    "tn",
]
