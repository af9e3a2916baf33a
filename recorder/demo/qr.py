"""An address as a QR code for a terminal. The only door to segno, which follows ISO/IEC 18004."""

import segno

QUIET = 4
"""Light modules around it (ISO/IEC 18004: four)."""

HALVES = {(0, 0): " ", (1, 0): "\N{UPPER HALF BLOCK}", (0, 1): "\N{LOWER HALF BLOCK}", (1, 1): "\N{FULL BLOCK}"}
"""An upper and a lower module as one character; 1 is dark."""


def lines(text: str) -> list[str]:
    """Rows of a terminal, two modules high each; to be written dark on light.

    The least error correction: nothing soils a screen, and a page's address with the lines around it fits in 24 rows.
    """
    rows = [list(row) for row in segno.make_qr(text, error="l").matrix_iter(border=QUIET)]
    rows += [[0] * len(rows[0])] * (len(rows) % 2)
    return [
        "".join(HALVES[int(a), int(b)] for a, b in zip(*pair, strict=True))
        for pair in zip(rows[::2], rows[1::2], strict=True)
    ]
