"""Reads a QR code as it is drawn in a page, by the rules of ISO/IEC 18004 and none of the code that drew it.

Block tables and module placement: ISO/IEC 18004:2015, tables 9 and E.1, written down from memory; a slip in them would
make every code unreadable. Reads undamaged codes of versions 1 to 9 in byte mode, and corrects no errors.
"""

import re

ALIGNMENT = {1: (), 2: (18,), 3: (22,), 4: (26,), 5: (30,), 6: (34,), 7: (6, 22, 38), 8: (6, 24, 42), 9: (6, 26, 46)}

BLOCKS = {
    "Q": {
        1: [13],
        2: [22],
        3: [17] * 2,
        4: [24] * 2,
        5: [15] * 2 + [16] * 2,
        6: [19] * 4,
        7: [14] * 2 + [15] * 4,
        8: [18] * 4 + [19] * 2,
        9: [16] * 4 + [17] * 4,
    },
    "H": {
        1: [9],
        2: [16],
        3: [13] * 2,
        4: [9] * 4,
        5: [11] * 2 + [12] * 2,
        6: [15] * 4,
        7: [13] * 4 + [14],
        8: [14] * 4 + [15] * 2,
        9: [12] * 4 + [13] * 4,
    },
}
"""Data codewords of each block, by level and version."""

LEVELS = {0: "M", 1: "L", 2: "H", 3: "Q"}

MASKS = (
    lambda row, column: (row + column) % 2 == 0,
    lambda row, column: row % 2 == 0,
    lambda row, column: column % 3 == 0,
    lambda row, column: (row + column) % 3 == 0,
    lambda row, column: (row // 2 + column // 3) % 2 == 0,
    lambda row, column: row * column % 2 + row * column % 3 == 0,
    lambda row, column: (row * column % 2 + row * column % 3) % 2 == 0,
    lambda row, column: ((row + column) % 2 + row * column % 3) % 2 == 0,
)


def drawn_modules(svg):
    """The dark modules that the strokes of a drawing cover, as rows of booleans without the margin, and the margin."""
    width, height = map(int, re.search(r'viewBox="0 0 (\d+) (\d+)"', svg).groups())
    assert width == height
    dark = set()
    strokes = re.search(r'<path [^>]*stroke="#000"[^>]* d="([^"]*)"', svg)[1]
    x = y = 0.0
    for command, numbers in re.findall(r"([Mmh])([-\d. ]+)", strokes):
        steps = [float(number) for number in numbers.split()]
        if command == "h":
            dark |= {(int(y), int(x) + i) for i in range(int(steps[0]))}
            x += steps[0]
        else:
            x, y = (steps[0], steps[1]) if command == "M" else (x + steps[0], y + steps[1])
    margin = min(min(module) for module in dark)
    size = width - 2 * margin
    return [[(row + margin, column + margin) in dark for column in range(size)] for row in range(size)], margin


def read(modules):
    """The text in a code."""
    size = len(modules)
    version = (size - 17) // 4
    level, mask = _format(modules)
    fixed = _fixed(size, version)
    bits = []
    rightmost = list(range(size - 1, 6, -2)) + [5, 3, 1]
    for turn, right in enumerate(rightmost):
        rows = range(size) if turn % 2 else range(size - 1, -1, -1)
        for row in rows:
            for column in (right, right - 1):
                if (row, column) not in fixed:
                    bits.append(modules[row][column] ^ MASKS[mask](row, column))
    words = [_number(bits[i : i + 8]) for i in range(0, len(bits) - 7, 8)]
    data = _data(words, BLOCKS[level][version])
    bits = [word >> shift & 1 for word in data for shift in range(7, -1, -1)]
    assert _number(bits[:4]) == 4, "not in byte mode"
    count = _number(bits[4:12])
    return bytes(_number(bits[12 + 8 * i : 20 + 8 * i]) for i in range(count)).decode()


def _format(modules):
    """Level and mask out of the 15 bits beside the upper left finder, lowest first."""
    places = [(row, 8) for row in (0, 1, 2, 3, 4, 5, 7, 8)] + [(8, column) for column in (7, 5, 4, 3, 2, 1, 0)]
    bits = sum(modules[row][column] << i for i, (row, column) in enumerate(places)) ^ 0b101010000010010
    return LEVELS[bits >> 13], bits >> 10 & 7


def _fixed(size, version):
    """Modules that carry no data: finders with format, timing, alignment, version."""
    corner, far = range(9), range(size - 8, size)
    fixed = {(row, column) for row in corner for column in corner}
    fixed |= {(row, column) for row in corner for column in far} | {(row, column) for row in far for column in corner}
    fixed |= {(6, i) for i in range(size)} | {(i, 6) for i in range(size)}
    centres = {6, *ALIGNMENT[version]} if version > 1 else set()
    for row in centres:
        for column in centres:
            if (row, column) not in {(6, 6), (6, size - 7), (size - 7, 6)}:
                fixed |= {(row + i, column + j) for i in range(-2, 3) for j in range(-2, 3)}
    if version >= 7:
        near = range(size - 11, size - 8)
        fixed |= {(i, j) for i in range(6) for j in near} | {(j, i) for i in range(6) for j in near}
    return fixed


def _data(words, lengths):
    """The data codewords of all blocks one after the other; they come in turn, the longer blocks' last ones last."""
    blocks = [[] for _ in lengths]
    stream = iter(words)
    for i in range(max(lengths)):
        for block, length in zip(blocks, lengths, strict=True):
            if i < length:
                block.append(next(stream))
    return [word for block in blocks for word in block]


def _number(bits):
    return int("".join(str(int(bit)) for bit in bits), 2)
