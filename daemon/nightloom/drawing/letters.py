"""How much room words need, whatever type a browser has.

Widths are at least those of DejaVu Sans (from memory; tests measure them in a browser), which is
wider than most types for screens.
"""

NARROW = frozenset("fijltI.,:;'!|()[]/- \N{NO-BREAK SPACE}″′·")
WIDE = frozenset("MWmw%@&#+=<>~^*×±−—–…")
NARROW_EM, SMALL_EM, CAPITAL_EM, WIDE_EM = 0.43, 0.66, 0.79, 1.0

BOLD = 1.12
"""How much wider bold letters are."""

BEYOND = "\N{CJK RADICAL REPEAT}"
"""Letters from here on are as wide as high."""


def width_px(words: str, size: float, *, bold: bool = False) -> float:
    """Width of words in letters of that size."""
    return sum(map(_em, words)) * size * (BOLD if bold else 1.0)


def shortened(words: str, width: float, size: float = 13.0, *, bold: bool = False) -> str:
    """Words as far as there is room for them."""
    if width_px(words, size, bold=bold) <= width:
        return words
    while words and width_px(f"{words}…", size, bold=bold) > width:
        words = words[:-1].rstrip()
    return f"{words}…"


def broken(words: str, width: float, size: float = 13.0, *, bold: bool = False) -> list[str]:
    """A text in lines of that width, broken at its spaces; a longer word is shortened."""
    lines: list[str] = []
    for word in (shortened(word, width, size, bold=bold) for word in words.split(" ")):
        if lines and width_px(f"{lines[-1]} {word}", size, bold=bold) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _em(letter: str) -> float:
    if letter in NARROW:
        return NARROW_EM
    if letter in WIDE or letter > BEYOND:
        return WIDE_EM
    return CAPITAL_EM if letter.isupper() else SMALL_EM
