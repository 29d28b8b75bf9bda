"""Ways to damage a file that was sound, each drawn by a seeded generator.

What happens to files: a transfer flips bytes, an editor saves in another encoding, a logger is
unplugged, a spreadsheet drops a column, somebody types a number wrong (common practice, no source).
"""

import io
import re
import warnings
import zipfile
from collections.abc import Callable
from contextlib import suppress
from datetime import date

import numpy as np

Rng = np.random.Generator
NUMBER = re.compile(rb"-?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")
HUGE = [
    b"1e308", b"-1e308", b"1e999", b"9" * 400, b"9" * 5000, b"1e-320", b"0", b"-0.0", b"nan",
    b"inf", b"-inf", b"1e30", b"-1e-30", b"18446744073709551616", b"0x1F", b"1_000", b"1e", b"--5",
]  # fmt: skip
WORDS = [
    b"", b"n/a", b"OL", b"#REF!", b"-", b"open", b"\xc2\xb5", "ohm Ω µ °".encode(), b"'", b'"',
    b",", b";", b"\t", b"\\", b"%s{0}", b"\x1b[31m", b"\r", b"\x85", "\u2028".encode(), b"True",
    b"12:30", b"2026-01-01", b"05/06/2024", b"4k7", b"R", b"V", b"t", b"= 1", b"[", b"]]", b"#",
]  # fmt: skip
ENCODINGS = ["utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp037", "utf-32", "utf-8-sig", "utf-7"]


def _some(rng: Rng, most: int) -> int:
    return int(rng.integers(1, most + 1))


def flip_bytes(raw: bytes, rng: Rng) -> bytes:
    """Turn over one bit in up to eight bytes."""
    changed = bytearray(raw)
    for place in rng.integers(0, len(raw), _some(rng, 8)):
        changed[place] ^= 1 << int(rng.integers(8))
    return bytes(changed)


def random_bytes(raw: bytes, rng: Rng) -> bytes:
    """Write up to thirty random bytes over a place."""
    place = int(rng.integers(0, len(raw)))
    new = rng.bytes(_some(rng, 30))
    return raw[:place] + new + raw[place + len(new) :]


def cut_short(raw: bytes, rng: Rng) -> bytes:
    """Keep the beginning only, as of a file being written."""
    return raw[: int(rng.integers(0, len(raw)))]


def nul(raw: bytes, rng: Rng) -> bytes:
    """Put NUL bytes in."""
    place = int(rng.integers(0, len(raw)))
    return raw[:place] + b"\0" * _some(rng, 20) + raw[place:]


def other_encoding(raw: bytes, rng: Rng) -> bytes:
    """Save in another encoding."""
    name = ENCODINGS[int(rng.integers(len(ENCODINGS)))]
    return raw.decode("utf-8", "replace").encode(name, "replace")


def cut_lines(raw: bytes, rng: Rng) -> bytes:
    """Leave out a run of lines."""
    lines = raw.splitlines(keepends=True)
    start = int(rng.integers(0, len(lines)))
    return b"".join(lines[:start] + lines[start + _some(rng, max(len(lines) // 2, 1)) :])


def shuffle_lines(raw: bytes, rng: Rng) -> bytes:
    """Bring lines into another order, or repeat some; the first two mostly stay."""
    lines = np.array(raw.splitlines(keepends=True), dtype=object)
    stay = 2 if len(lines) > 3 and rng.random() < 0.8 else 0
    rest = len(lines) - stay
    order = rng.permutation(rest) if rng.random() < 0.5 else rng.integers(0, rest, 60)
    return b"".join([*lines[:stay], *lines[stay:][order]])


def spoil_numbers(raw: bytes, rng: Rng) -> bytes:
    """Put impossible numbers or words in place of up to four numbers."""
    for _ in range(_some(rng, 4)):
        found = list(NUMBER.finditer(raw))
        if not found:
            return raw
        one = found[int(rng.integers(len(found)))]
        pool = HUGE if rng.random() < 0.6 else WORDS
        raw = raw[: one.start()] + pool[int(rng.integers(len(pool)))] + raw[one.end() :]
    return raw


def odd_numbers(raw: bytes, rng: Rng) -> bytes:
    """Multiply up to six numbers, neighbours often, by powers of ten that no panel has."""
    found = list(NUMBER.finditer(raw))
    if not found:
        return raw
    start = int(rng.integers(len(found)))
    step = int(rng.integers(1, 5))
    factor = float(rng.choice([0.0, -1.0, 1e-12, 1e-6, 1e-3, 0.1, 0.5, 2.0, 10.0, 1e3, 1e6, 1e12]))
    for one in reversed(found[start::step][: _some(rng, 6)]):
        try:
            new = f"{float(one.group()) * factor:.9g}".encode()
        except ValueError:
            continue
        raw = raw[: one.start()] + new + raw[one.end() :]
    return raw


def drop_columns(raw: bytes, rng: Rng) -> bytes:
    """Leave out, double or empty a column of the table."""
    which, way = int(rng.integers(0, 4)), int(rng.integers(3))
    lines = []
    for line in raw.split(b"\n"):
        cells = line.split(b",")
        if not line.startswith(b"#") and len(cells) > 1:
            k = which % len(cells)
            cells[k : k + 1] = [[], [cells[k], cells[k]], [b""]][way]
        lines.append(b",".join(cells))
    return b"\n".join(lines)


def scale_column(raw: bytes, rng: Rng) -> bytes:
    """Multiply a column by a power of ten, change its sign, or make it constant."""
    which = int(rng.integers(0, 4))
    factor = 10.0 ** float(rng.integers(-12, 13)) * float(rng.choice([-1.0, 1.0, 0.0]))
    lines = []
    for line in raw.split(b"\n"):
        cells = line.split(b",")
        k = which % len(cells)
        with suppress(ValueError):
            cells[k] = f"{float(cells[k]) * factor:.9g}".encode()
        lines.append(b",".join(cells))
    return b"\n".join(lines)


def other_marks(raw: bytes, rng: Rng) -> bytes:
    """Change separators, decimal marks or line ends."""
    pairs = [
        (b",", b";"), (b",", b"\t"), (b",", b" "), (b",", b"|"), (b".", b","), (b"\n", b"\r"),
        (b"\n", b"\r\n"), (b"\n", b"\n\n"), (b"\n", b""), (b"_", b" "), (b'"', b""),
        (b"e", b"\xe9"),
    ]  # fmt: skip
    for k in rng.integers(0, len(pairs), _some(rng, 2)):
        raw = raw.replace(*pairs[k])
    return raw


def spoil_words(raw: bytes, rng: Rng) -> bytes:
    """Change or take away a word, or put a stray one anywhere."""
    if rng.random() < 0.5:
        place = int(rng.integers(0, len(raw) + 1))
        return raw[:place] + WORDS[int(rng.integers(len(WORDS)))] + raw[place:]
    found = list(re.finditer(rb"[A-Za-z_]+", raw))
    if not found:
        return raw
    one, other = (found[int(k)] for k in rng.integers(0, len(found), 2))
    return raw[: one.start()] + other.group() + raw[one.end() :]


def nothing_or_noise(raw: bytes, rng: Rng) -> bytes:
    """Leave an empty file, blanks, one very long line, or noise."""
    pick = int(rng.integers(5))
    return [b"", b"\n \n", b"1," * 60_000, rng.bytes(300), b"\xff\xfe"][pick]


TEXT: tuple[Callable[[bytes, Rng], bytes], ...] = (
    flip_bytes, random_bytes, cut_short, nul, other_encoding, cut_lines, shuffle_lines,
    spoil_numbers, spoil_numbers, odd_numbers, odd_numbers, drop_columns, scale_column,
    scale_column, other_marks, spoil_words, nothing_or_noise,
)  # fmt: skip


# TOML
STRANGE = [
    "[]", "[[1, [2]], {}]", "{}", "{ a = { b = [1] } }", "true", "2026-01-01", "12:00:00", '""',
    '"\\u0000"', '"nan"', "nan", "inf", "-inf", "1e308", "-1", "0", "1e-300", "9" * 400, "0xFFFF",
    '"4k7"', '["a", 1, true]', "'''x'''", '"../../../../etc"', '"."', '"-"', "[" * 90 + "]" * 90,
]  # fmt: skip


def wrong_type(raw: bytes, rng: Rng) -> bytes:
    """Give up to three keys a value of a wrong kind."""
    lines = raw.decode().splitlines()
    at = [k for k, line in enumerate(lines) if re.match(r"\w+ = [^\[]", line)]
    for k in rng.choice(at, min(_some(rng, 3), len(at)), replace=False):
        word = lines[k].partition(" = ")[0]
        lines[k] = f"{word} = {STRANGE[int(rng.integers(len(STRANGE)))]}"
    return "\n".join(lines).encode()


def wrong_nesting(raw: bytes, rng: Rng) -> bytes:
    """Make a section a list of tables, a value, a section of another, or twice there."""
    text = raw.decode()
    heads = re.findall(r"^\[([\w.]+)\]$", text, re.MULTILINE)
    if not heads:
        return raw + b"\n[[panel]]\n"
    one, other = (heads[int(k)] for k in rng.integers(0, len(heads), 2))
    head = f"[{one}]"
    ways = (
        (head, f"[{head}]"),
        (head, f"[{other}]"),
        (head, f"[{other}.{one}]"),
        (head, f"{one} = 5"),
        (head, f"{one.split('.')[-1]} = []\n{head}"),
        (head, ""),
        (head, f"[{'.'.join(['a'] * 2000)}]"),
    )
    return text.replace(*ways[int(rng.integers(len(ways)))], 1).encode()


def values_moved(raw: bytes, rng: Rng) -> bytes:
    """Exchange the values of two keys, each of which may be sound in the other's place."""
    lines = raw.decode().splitlines()
    at = [k for k, line in enumerate(lines) if re.match(r"\w+ = [^\[]", line)]
    a, b = (int(k) for k in rng.choice(at, 2, replace=False))
    (one, _, x), (other, _, y) = (lines[k].partition(" = ") for k in (a, b))
    lines[a], lines[b] = f"{one} = {y}", f"{other} = {x}"
    return "\n".join(lines).encode()


SETTINGS = (
    flip_bytes, random_bytes, cut_short, nul, other_encoding, cut_lines, spoil_numbers,
    odd_numbers, odd_numbers, odd_numbers, spoil_words, nothing_or_noise, wrong_type, wrong_type,
    wrong_nesting, values_moved, values_moved,
)  # fmt: skip


# Workbooks
def _cell(text: str):
    try:
        return float(text)
    except ValueError:
        return text or None


def as_workbook(raw: bytes) -> bytes:
    """Return a comma-separated table as a workbook of one sheet."""
    import openpyxl

    book = openpyxl.Workbook()
    for line in raw.decode().splitlines():
        book.active.append([_cell(cell) for cell in line.split(",")])
    return _packed(book)


def _workbook(raw: bytes):
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of what an earlier way damaged
        return openpyxl.load_workbook(io.BytesIO(raw))


def _packed(book) -> bytes:
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def spoil_cells(raw: bytes, rng: Rng) -> bytes:
    """Change cells, rows, columns or sheets of a workbook, which then is a workbook still."""
    book = _workbook(raw)
    sheet = book.active
    values = [1e308, -1e308, 10**40, "#REF!", True, date(2026, 1, 1), "4k7", "", None, "=1/0", -5]
    for _ in range(_some(rng, 6)):
        row, column = int(rng.integers(1, sheet.max_row + 1)), int(rng.integers(1, 5))
        way = int(rng.integers(8))
        if way < 4:
            sheet.cell(row, column).value = values[int(rng.integers(len(values)))]
        elif way == 4:
            sheet.delete_rows(row, _some(rng, 9))
        elif way == 5:
            sheet.delete_cols(column)
        elif way == 6:
            copy = book.copy_worksheet(sheet)
            copy.sheet_state = ("visible", "hidden", "veryHidden")[int(rng.integers(3))]
        else:
            sheet.insert_rows(row, _some(rng, 3))
        if sheet.max_row < 2:
            break
    return _packed(book)


def odd_cells(raw: bytes, rng: Rng) -> bytes:
    """Multiply a column, or some cells of it, by a power of ten, or set them alike."""
    book = _workbook(raw)
    column = int(rng.integers(1, 5))
    factor = 10.0 ** float(rng.integers(-12, 13)) * float(rng.choice([-1.0, 1.0, 0.0]))
    some = rng.choice([0.1, 1.0])
    for (cell,) in book.active.iter_rows(min_col=column, max_col=column):
        if isinstance(cell.value, int | float) and rng.random() < some:
            cell.value = cell.value * factor
    return _packed(book)


def spoil_parts(raw: bytes, rng: Rng) -> bytes:
    """Damage the text of a part of the package, or leave the part out."""
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(held, "w") as new:
        names = old.namelist()
        hit = names[int(rng.integers(len(names)))]
        if rng.random() < 0.5:
            hit = next(name for name in names if name.endswith("sheet1.xml"))
        for name in names:
            content = old.read(name)
            if name == hit:
                if rng.random() < 0.1:
                    continue
                ways = (flip_bytes, cut_short, spoil_numbers, spoil_numbers, spoil_words, nul)
                content = ways[int(rng.integers(len(ways)))](content, rng)
            new.writestr(name, content)
    return held.getvalue()


WORKBOOK = (
    flip_bytes, random_bytes, cut_short, *[spoil_cells] * 3, *[odd_cells] * 3, *[spoil_parts] * 3,
)  # fmt: skip


def damage(name: str, raw: bytes, rng: Rng) -> tuple[bytes, str]:
    """Return the file damaged in one to three ways, and the names of the ways."""
    ways = {"toml": SETTINGS, "xlsx": WORKBOOK}.get(name.rpartition(".")[2], TEXT)
    done = []
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        way = ways[int(rng.integers(len(ways)))]
        try:
            changed = way(raw, rng)
        except Exception:  # what the first way left cannot be taken apart by the second
            if not done:
                raise
            break
        raw, done = changed, [*done, way.__name__]
        if not raw:
            break
    return raw, " ".join(done)
