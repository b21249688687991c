"""Good examples made bad: bytes, texts and JSON values changed at random in ways that have broken parsers before.

Everything is drawn from the `random.Random` that is handed in, so that an input can be made again from its seed.
"""

import json
from random import Random

HOSTILE_TEXTS = (
    "",
    " ",
    "\0",
    "\ufeff",
    "\u2028",
    "\x1c",
    "\x85",
    "\ud800",
    "\udcff",
    "٣",
    "１２",
    "²",
    "½",
    "−5",
    "nan",
    "-inf",
    "1e999",
    "1_0",
    "0x10",
    "-0",
    "9" * 5000,
    "0.0000000000000000000000000001",
    "1/0",
    "999/1e3",
    "0001-01-01",
    "0001-01-01T00:00:00+23:59",
    "9999-12-31T23:59:59Z",
    "9999-12-31T23:59:59-23:59",
    "2026-02-29",
    "2026-W01-1",
    "2026-01-10T24:00",
    "2026-03-08T02:30",
    "2026-11-01T01:30",
    "2026-01-10T06:00:00.123456789Z",
    "2026-01-10T06:00+24:00",
    "P999D",
    "2026-01-10T06:00:00+00:00/PT0H",
    "=1+1",
    "'=1",
    '"',
    "'",
    ";",
    ",",
    "\t",
    "\n",
    "\r",
    "a" * 3000,
    "{" * 2000,
    "<html>",
    "../../nowhere/x",
    "__class__",
    "%s%n{0}",
    "M",
    "//",
)
"""Texts in place of a cell, a word or a JSON text."""

HOSTILE_VALUES = (
    None,
    True,
    False,
    0,
    -1,
    1,
    10**30,
    -(10**400),
    2**63,
    1.5,
    -0.0,
    1e308,
    -1e308,
    5e-324,
    float("nan"),
    float("inf"),
    float("-inf"),
    [],
    {},
    [None],
    [[]],
    {"": None},
)
"""Values in place of a JSON value."""

SPLITS = (b",", b";", b"\t", b"\n", b'"', b" ", b":", b"/")


def mutated(example: bytes, draw: Random, changes: int = 3) -> bytes:
    """After one to ``changes`` changes: of its JSON values where it is JSON, else of its bytes and cells."""
    content = example
    for _ in range(draw.randint(1, changes)):
        as_json = _loaded(content) if content[:1] in (b"{", b"[") and draw.random() < 0.8 else None
        content = _written(_json_change(as_json, draw), draw) if as_json is not None else _byte_change(content, draw)
    return content


def random_bytes(draw: Random, longest: int = 400) -> bytes:
    """Bytes of which half the time most are printable."""
    alphabet = draw.choice(
        [bytes(range(256)), b"0123456789.,;:-+TZ \n\"'{}[]eE", b"abcM/=@\t\r\n\0\xef\xbb\xbf\xed\xa0\x80"]
    )
    return bytes(draw.choice(alphabet) for _ in range(draw.randint(0, longest)))


def hostile_text(draw: Random, examples: tuple[str, ...]) -> str:
    """A text that is hostile as a whole, or an example with letters dropped, doubled, put in or taken from others."""
    if draw.random() < 0.3:
        return draw.choice(HOSTILE_TEXTS)
    text = draw.choice(examples)
    for _ in range(draw.randint(1, 4)):
        at = draw.randint(0, len(text))
        match draw.randrange(5):
            case 0:
                text = text[:at] + text[at + draw.randint(1, 3) :]
            case 1:
                text = text[:at] + draw.choice(HOSTILE_TEXTS) + text[at:]
            case 2:
                text = text[:at] + chr(draw.choice([draw.randint(0, 127), draw.randint(128, 0x10FFFF)])) + text[at:]
            case 3:
                text = text[:at] + draw.choice(examples)[draw.randint(0, 5) :]
            case _:
                text = text[:at] + text[at : at + 1] * draw.choice([2, 3, 300]) + text[at + 1 :]
    return text


def _loaded(content: bytes) -> object:
    try:
        return json.loads(content)
    except (ValueError, RecursionError):
        return None


def _written(value: object, draw: Random) -> bytes:
    """JSON as its writers differ in it: escaped or not, and now and then nested deeper than anybody reads."""
    try:
        text = json.dumps(value, ensure_ascii=draw.random() < 0.7)
    except (ValueError, RecursionError):  # a whole number too long to be written
        return b"[" * 3000
    if draw.random() < 0.03:
        deep = draw.choice([100, 300, 700, 900, 960, 985, 100_000])
        opened, closed = draw.choice([("[", "]"), ('{"a":', "}")])
        inner = "1" if opened != "[" else ""
        text = text.replace(draw.choice(["null", "1", '""', "0", "true"]), opened * deep + inner + closed * deep, 1)
    return text.encode("utf-8", "surrogatepass")


def _paths(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    """Every place in a JSON value, by keys and positions."""
    found, left = [], [(path, value)]
    while left:
        at, one = left.pop()
        found.append(at)
        if isinstance(one, dict):
            left += [((*at, key), child) for key, child in one.items()]
        elif isinstance(one, list):
            left += [((*at, number), child) for number, child in enumerate(one)]
    return found


def _json_change(value: object, draw: Random) -> object:
    """One place of a JSON value changed: another type, gone, doubled, renamed, or exchanged with another place."""
    path = draw.choice(_paths(value))
    if not path:
        return draw.choice([value, value, [value], *HOSTILE_VALUES])
    holder = value
    for key in path[:-1]:
        holder = holder[key]
    key = path[-1]
    match draw.randrange(6):
        case 0:
            holder[key] = draw.choice(HOSTILE_VALUES)
        case 1:
            holder[key] = draw.choice(HOSTILE_TEXTS)
        case 2:
            del holder[key]
        case 3 if isinstance(holder, list):
            holder.insert(key, holder[draw.randrange(len(holder))])
        case 3:
            holder[draw.choice(HOSTILE_TEXTS)] = holder.pop(key)
        case 4 if isinstance(holder[key], str):
            holder[key] = hostile_text(draw, (holder[key],))
        case 4:
            holder[key] = (
                str(holder[key])[:2000]
                if draw.random() < 0.5 and not isinstance(holder[key], list | dict)
                else [holder[key]]
            )
        case _:
            siblings = list(range(len(holder))) if isinstance(holder, list) else list(holder)
            other = draw.choice(siblings)
            holder[key], holder[other] = holder[other], holder[key]
    return json.loads(json.dumps(value)) if _is_tree(value) else value


def _is_tree(value: object) -> bool:
    """Whether a value can be written and read again, so that no place of it is another one as well."""
    try:
        json.dumps(value)
    except (ValueError, RecursionError):
        return False
    return True


def _byte_change(content: bytes, draw: Random) -> bytes:
    at = draw.randint(0, len(content))
    until = min(at + draw.choice([1, 2, 8, 60]), len(content))
    match draw.randrange(8):
        case 0:
            return content[:at]
        case 1:
            return content[:at] + content[until:]
        case 2:
            return content[:until] + content[at:until] * draw.choice([1, 2, 50]) + content[until:]
        case 3:
            return content[:at] + random_bytes(draw, 8) + content[until:]
        case 4 if at < len(content):
            return content[:at] + bytes([content[at] ^ (1 << draw.randrange(8))]) + content[at + 1 :]
        case 5:
            lines = content.split(b"\n")
            one, other = draw.randrange(len(lines)), draw.randrange(len(lines))
            lines[one], lines[other] = lines[other], draw.choice([lines[one], lines[other], b""])
            return b"\n".join(lines)
        case _:
            parts = content.split(draw.choice(SPLITS))
            joint = draw.choice(SPLITS) if draw.random() < 0.1 else None
            for split in SPLITS:
                if joint is None and split.join(parts) == content:
                    joint = split
            parts[draw.randrange(len(parts))] = draw.choice(HOSTILE_TEXTS).encode("utf-8", "surrogatepass")
            return (joint or b",").join(parts)
