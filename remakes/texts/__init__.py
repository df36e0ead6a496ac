"""What people read, in their language: English sentences are the keys, and every other language is one file beside.

A sentence is written whole in the code, with its values by name: ``t("{n} returns on {day}", n=3, day=day)``.
The file of a language (``de.po``, a common format that translators' programs read) holds the same sentence
with the same names. A sentence that a file lacks is shown in English.
"""

from remakes.texts.said import LANGUAGES, Said, language, speak, t, tn

__all__ = ["LANGUAGES", "Said", "language", "speak", "t", "tn"]
