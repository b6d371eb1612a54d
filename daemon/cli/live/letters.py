"""Large letters from quarter blocks: five dots high, three lines of text, readable from across a room.

Each character cell holds two by two dots. Every letter is an odd number of dots wide and one dot apart from the
next, so that all begin at the left edge of a cell and look alike wherever they stand. Letters are capitals; what
has no letter here can't be drawn large.
"""

from __future__ import annotations

from functools import lru_cache

HEIGHT_DOTS = 5

_FONT_ROWS = """
A .###. #...# ##### #...# #...#
B ####. #...# ####. #...# ####.
C .#### #.... #.... #.... .####
D ####. #...# #...# #...# ####.
E ##### #.... ####. #.... #####
F ##### #.... ####. #.... #....
G .#### #.... #..## #...# .####
H #...# #...# ##### #...# #...#
I ### .#. .#. .#. ###
J ...## ....# ....# #...# .###.
K #...# #..#. ###.. #..#. #...#
L #.... #.... #.... #.... #####
M #...# ##.## #.#.# #...# #...#
N #...# ##..# #.#.# #..## #...#
O .###. #...# #...# #...# .###.
P ####. #...# ####. #.... #....
Q .###. #...# #.#.# #..#. .##.#
R ####. #...# ####. #..#. #...#
S .#### #.... .###. ....# ####.
T ##### ..#.. ..#.. ..#.. ..#..
U #...# #...# #...# #...# .###.
V #...# #...# #...# .#.#. ..#..
W #...# #...# #.#.# ##.## #...#
X #...# .#.#. ..#.. .#.#. #...#
Y #...# .#.#. ..#.. ..#.. ..#..
Z ##### ...#. ..#.. .#... #####
Ä .#.#. ..... .###. ##### #...#
Ö .#.#. ..... .###. #...# .###.
Ü .#.#. ..... #...# #...# .###.
0 .###. #..## #.#.# ##..# .###.
1 .#. ##. .#. .#. ###
2 ####. ....# .###. #.... #####
3 ####. ....# .###. ....# ####.
4 #..#. #..#. ##### ...#. ...#.
5 ##### #.... ####. ....# ####.
6 .###. #.... ####. #...# .###.
7 ##### ....# ...#. ..#.. ..#..
8 .###. #...# .###. #...# .###.
9 .###. #...# .#### ....# .###.
' # # . . .
- ... ... ### ... ...
( .## #.. #.. #.. .##
) ##. ..# ..# ..# ##.
. . . . . #
, . . . # #
"""

_FONT = {line[0]: line[2:].split(" ") for line in _FONT_ROWS.strip().splitlines()}
_FONT[" "] = ["..."] * HEIGHT_DOTS

# By the bits upper left, upper right, lower left, lower right.
_QUARTERS = " ▗▖▄▝▐▞▟▘▚▌▙▀▜▛█"


@lru_cache(maxsize=64)  # the same few headlines are asked for in every frame
def large(text: str, *, scale: int = 1) -> tuple[str, ...] | None:
    """Return a text as lines of quarter blocks, each dot ``scale`` dots wide and high.

    ``None`` when a character has no large form.
    """
    capitals = text.upper()
    if not capitals or any(character not in _FONT for character in capitals):
        return None
    rows = [".".join(_FONT[character][y] for character in capitals) for y in range(HEIGHT_DOTS)]
    dots = ["".join(dot * scale for dot in row) for row in rows for _ in range(scale)]
    if len(dots) % 2:
        dots.append("." * len(dots[0]))
    return tuple(_cells(dots[y], dots[y + 1]) for y in range(0, len(dots), 2))


def _cells(upper: str, lower: str) -> str:
    upper, lower = upper + "." * (len(upper) % 2), lower + "." * (len(lower) % 2)
    return "".join(_cell(upper[x : x + 2] + lower[x : x + 2]) for x in range(0, len(upper), 2)).rstrip()


def _cell(dots: str) -> str:
    return _QUARTERS[int(dots.replace("#", "1").replace(".", "0"), 2)]
