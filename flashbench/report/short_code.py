"""A short code for an image, to be read aloud and written on a bag."""

from typing import Final

_LETTERS: Final = "BCDFGHJKLMNPQRSTVWXZ"
"""Consonants: no digit is taken for a letter, and no word comes out by chance."""

_CODE_LETTERS: Final = 8


def short_code(sha256: str) -> str:
    """ "TRKV-MZQD" for a SHA-256 in hex: the same for equal images, else another.

    Two different images share a code with a chance of 1 in 20^8 (2.6e10). It names an image; it
    proves nothing, which is what the whole hash is for.
    """
    number = int(sha256, 16)
    letters = ""
    for _ in range(_CODE_LETTERS):
        number, letter = divmod(number, len(_LETTERS))
        letters += _LETTERS[letter]
    return f"{letters[:4]}-{letters[4:]}"
