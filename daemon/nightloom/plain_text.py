"""Text reduced to ASCII, for FITS cards and file names."""

import unicodedata

# Filters and stars carry Greek letters: Hα is written Ha, common practice, no source.
_GREEK = str.maketrans("αβγδεζηθικλμνξοπρστυφχψω", "abgdezhqiklmnxoprstufcyw")


def plain_text(text: str) -> str:
    """Printable ASCII: accents fall off, and what is still foreign becomes a question mark."""
    letters = unicodedata.normalize("NFKD", text.translate(_GREEK))
    kept = (letter for letter in letters if not unicodedata.combining(letter))
    return "".join(letter if " " <= letter <= "~" else "?" for letter in kept)
