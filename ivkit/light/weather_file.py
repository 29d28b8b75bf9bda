"""Weather files: TMY3 and EPW through pvlib's readers, or a table of time, GHI, DNI and DHI."""

import calendar
import csv
import io
import re
import sys
from pathlib import Path
from typing import Any

import numpy as np

from ivkit.errors import FileError, RangeError, TableError
from ivkit.light.place import Place
from ivkit.light.weather import Weather, closure
from ivkit.readings.units import find_unit
from ivkit.readings.written_number import find_marks, read_plain_numbers, without_residue

# A typical year is pieced together from many; it is read as this one, which has no 29 February.
COMMON_YEAR = 2023

_LONGEST_LINE = 20_000  # characters; an hour of a typical year takes some 400
STAMPS = {"start": 0.5, "middle": 0.0, "end": -0.5}
"""Which part of a step its time names, and how many steps away its middle is."""

_COLUMNS = {
    "time": ("time", "timestamp", "datetime", "date time", "date"),
    "ghi": ("ghi",),
    "dni": ("dni",),
    "dhi": ("dhi",),
    "temp_air": ("temp air", "air temperature", "temperature", "temp"),
    "wind_speed": ("wind speed", "wind"),
}
_QUANTITY = {"ghi": "irradiance", "dni": "irradiance", "dhi": "irradiance"} | {
    "temp_air": "temperature"
}
_OFFSET = re.compile(r"(Z|[+-]\d\d:?\d\d)$")


def read_weather(
    path: str | Path,
    *,
    place: Place | None = None,
    zone: Any = None,
    year: int | None = None,
    stamp: str | None = None,
) -> Weather:
    """Return the weather in a file: TMY3, EPW, or a table headed time, ghi, dni, dhi.

    Parameters
    ----------
    path : path
        ``-`` is standard input.
    place : Place, optional
        Needed for a table; checked against the file's own otherwise.
    zone : time zone, optional
        For a table whose times do not carry their offset.
    year : int, optional
        The year that a typical year (TMY3, EPW) is read as.
    stamp : "start", "middle" or "end", optional
        Which part of a step the times of a table name. Where left out it is found by the sun:
        the choice for which GHI = DNI cos(zenith) + DHI holds best.

    Raises
    ------
    FileError, TableError, RangeError
        The file cannot be read; it is no weather file, or its times or values make no sense; the
        place is missing, or is not the file's.
    """
    name = "standard input" if str(path) == "-" else str(path)
    try:
        if str(path) == "-":
            text = sys.stdin.read()
        else:
            with open(path, encoding="utf-8-sig", errors="replace", newline="") as file:
                text = file.read()
    except OSError as error:
        raise FileError(
            f"cannot be read ({(error.strerror or str(error)).lower()})", name, "check the name"
        ) from None
    if "\0" in text or text[:1000].count("\ufffd") > 20:
        raise FileError("is not a text file", name, "give TMY3, EPW or CSV as text")
    lines = text.splitlines()
    longest = max(map(len, lines), default=0)
    if longest > _LONGEST_LINE:
        raise TableError(
            f"the line has more than {_LONGEST_LINE} characters",
            f"{name}, line {[len(line) for line in lines].index(longest) + 1}",
            "write one time a line",
        )
    if len(lines) > 1 and lines[1].startswith("Date (MM/DD/YYYY),Time (HH:MM)"):
        return _from_pvlib(name, text, "TMY3", year, place)
    if lines and lines[0].upper().startswith("LOCATION,"):
        return _from_pvlib(name, text, "EPW", year, place)
    return _read_table(name, lines, place, zone, stamp)


def _from_pvlib(name: str, text: str, kind: str, year: int | None, place: Place | None) -> Weather:
    import warnings

    import pandas as pd
    from pvlib import iotools

    header = {"TMY3": 2, "EPW": 8}[kind]
    if len(text.split("\n", header)) <= header or not text.split("\n", header)[header].strip():
        raise TableError(
            f"begins like a {kind} file but cannot be read as one (no hour below its heading)",
            name,
            "fetch it again, or give a table headed time, ghi, dni, dhi",
        )
    try:
        with warnings.catch_warnings():
            # Columns with a word among numbers; those that are used are turned into numbers here.
            warnings.simplefilter("ignore", pd.errors.DtypeWarning)
            if kind == "TMY3":
                frame, about = iotools.read_tmy3(
                    io.StringIO(text), coerce_year=COMMON_YEAR, map_variables=True
                )
                # TMY3 stamps the end of the hour.
                shift, title = -30, str(about["Name"]).strip('" ').title()
            else:
                frame, about = iotools.read_epw(io.StringIO(text))
                # EPW stamps the end too, but pvlib's reader already gives the beginning.
                shift, title = 30, str(about["city"]).strip('" ')
        light = {
            key: frame[key].to_numpy(dtype=float, copy=True)
            for key in ("ghi", "dni", "dhi", "temp_air", "wind_speed")
        }
        own = Place(*(float(about[key]) for key in ("latitude", "longitude", "altitude")))
        times = pd.DatetimeIndex(frame.index) + pd.Timedelta(minutes=shift)
    except (LookupError, ValueError, TypeError, AttributeError, OverflowError) as error:
        if isinstance(error, RangeError):
            raise RangeError(error.what, name, error.remedy) from None
        raise TableError(
            f"begins like a {kind} file but cannot be read as one ({_first_line(error)})",
            name,
            "fetch it again, or give a table headed time, ghi, dni, dhi",
        ) from None
    for key in ("ghi", "dni", "dhi"):
        # Both formats write 9999 or -9900 where nothing was measured.
        light[key][(light[key] >= 9999) | (light[key] < -900)] = np.nan
    light["temp_air"][np.abs(light["temp_air"]) > 90] = np.nan
    light["wind_speed"][(light["wind_speed"] < 0) | (light["wind_speed"] > 100)] = np.nan
    _check_place(place, own, name)
    year = year or COMMON_YEAR
    # Not before the shift, or February's last half hour would fall on a day that is not there.
    kept = np.flatnonzero(~((times.month == 2) & (times.day == 29)) | calendar.isleap(year))
    times = pd.DatetimeIndex([time.replace(year=year) for time in times[kept]])
    light = {key: values[kept] for key, values in light.items()}
    _hours(times, name)
    note = f"{kind} typical year read as {year}, the sun taken at the middle of each hour"
    source = f"{Path(name).name} ({title})" if title else Path(name).name
    return Weather(own, times, 1.0, **light, source=source, notes=(note,))


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:80]


def _check_place(place: Place | None, own: Place, name: str) -> None:
    if place is None:
        return
    apart = max(
        abs(place.latitude - own.latitude),
        abs((place.longitude - own.longitude + 180) % 360 - 180),
    )
    if apart > 1:
        raise RangeError(
            f"was written for {own}, not for {place}",
            name,
            "leave out latitude and longitude to use the file's own",
        )


def _read_table(
    name: str, lines: list[str], place: Place | None, zone: Any, stamp: str | None
) -> Weather:
    import pandas as pd

    columns, line_of = _split(name, lines)
    if place is None:
        raise RangeError(
            "does not say where it was measured", name, "give latitude and longitude too"
        )
    times = _times(columns.pop("time"), zone, name, line_of)
    values = {}
    for key in ("ghi", "dni", "dhi", "temp_air", "wind_speed"):
        if key in columns:
            values[key] = _numbers(*columns[key], key, name, line_of)
        else:
            values[key] = np.full(len(times), np.nan)
    given = [key for key in ("ghi", "dni", "dhi") if np.isfinite(values[key]).any()]
    if len(given) < 2:
        raise TableError(
            f"holds {given[0].upper() if given else 'none'} of GHI, DNI and DHI; from one alone "
            "nobody can tell how much of the light comes straight from the sun",
            name,
            "two are needed, the third follows; or leave the file out for a clear sky",
        )
    hours = _hours(times, name, line_of)
    if max(float(np.nanmax(values[key])) for key in given) < 2:
        raise TableError(
            "no light above 2 W/m2 in the whole table",
            name,
            "if it is in kW/m2, say so in the heading, as in ghi_kW_m2",
        )
    weather = Weather(place, times, hours, **values, source=Path(name).name)
    found = {key: closure(weather, part * hours) for key, part in STAMPS.items()}
    best = min(found, key=found.get)
    told = np.isfinite(found[best]) and found[best] < 0.5 * found["middle"]
    if stamp is None:
        stamp = best if told else "middle"
        why = "as GHI = DNI cos(zenith) + DHI holds best so" if told else "assumed"
        note = f"times name the {stamp} of each step, {why}"
    else:
        note = f"times name the {stamp} of each step, as stated"
        if np.isfinite(found[best]) and found[best] < 0.5 * found[stamp]:
            note += f", but GHI = DNI cos(zenith) + DHI holds far better with the {best}"
    shift = pd.Timedelta(hours=STAMPS[stamp] * hours)
    return Weather(place, times + shift, hours, **values, source=weather.source, notes=(note,))


def _split(name: str, lines: list[str]) -> tuple[dict[str, tuple[str, list[str]]], list[int]]:
    """Return what each known column is headed and holds, and the line of each row."""
    start = next((k for k, t in enumerate(lines) if t.strip() and t.lstrip()[0] != "#"), None)
    if start is None:
        raise TableError("is empty", name, "it needs the columns time and two of ghi, dni, dhi")
    mark = max(";\t,", key=lines[start].count)
    head = [cell.strip() for cell in next(csv.reader([lines[start]], delimiter=mark))]
    places: dict[str, int] = {}
    for k, text in enumerate(head):
        for key, words in _COLUMNS.items():
            if re.sub(r"[_\s]+", " ", text.lower()).startswith(words):
                if key in places:
                    raise TableError(
                        f"both {head[places[key]]!r} and {text!r} could be {key}",
                        f"{name}, line {start + 1}",
                        "rename the one that is not meant",
                    )
                places[key] = k
                break
    if "time" not in places:
        raise TableError(
            f"no column is headed time (found {', '.join(head)[:80]})",
            f"{name}, line {start + 1}",
            "head the columns time, ghi, dni, dhi (and temp_air, wind_speed)",
        )
    rows, line_of = [], []
    for number, row in enumerate(csv.reader(lines[start + 1 :], delimiter=mark), start + 2):
        if not any(cell.strip() for cell in row) or row[0].lstrip().startswith("#"):
            continue
        if len(row) != len(head):
            raise TableError(
                f"{len(row)} cells under {len(head)} headings",
                f"{name}, line {number}",
                "a decimal comma needs semicolons between the columns"
                if mark == ","
                else "give every row as many cells as there are headings",
            )
        rows.append(row)
        line_of.append(number)
    if len(rows) < 2:
        raise TableError("holds fewer than two rows", name, "one row for each step of time")
    columns = list(zip(*rows, strict=True))
    return {key: (head[k], list(columns[k])) for key, k in places.items()}, line_of


def _times(column: tuple[str, list[str]], zone: Any, name: str, line_of: list[int]) -> Any:
    """Return the times as a DatetimeIndex with a zone."""
    import pandas as pd

    texts = [text.strip() for text in column[1]]
    try:
        # Naive and other times alike, only to see whether they are times at all.
        times = pd.DatetimeIndex(pd.to_datetime(texts, format="ISO8601", utc=True))
    except ValueError:
        at = _first_bad(texts)
        raise TableError(
            f"{texts[at]!r} is not a time",
            f"{name}, line {line_of[at]}",
            "write it as 2026-06-21T12:00",
        ) from None
    odd = np.flatnonzero((times.year < 1900) | (times.year > 2200))
    if len(odd):
        raise TableError(
            f"{texts[odd[0]]!r} is a time of no weather",
            f"{name}, line {line_of[odd[0]]}",
            "write it as 2026-06-21T12:00",
        )
    own = [bool(_OFFSET.search(text) and len(text) > 10) for text in texts]
    if all(own):
        return times.tz_convert(zone) if zone is not None else times
    if any(own) or zone is None:
        at = own.index(False)
        raise TableError(
            f"the time {texts[at]!r} has no time zone",
            f"{name}, line {line_of[at]}",
            "write the offset, as in 2026-06-21T12:00+01:00, or give the time zone",
        )
    try:
        return times.tz_localize(None).tz_localize(zone)
    except ValueError as error:
        raise TableError(
            f"a time does not exist, or exists twice, by the clocks of {zone} "
            f"({_first_line(error)})",
            name,
            "clocks change there: write the offset with each time, or log in UTC",
        ) from None


def _first_bad(texts: list[str]) -> int:
    import pandas as pd

    for k, text in enumerate(texts):
        try:
            pd.to_datetime(text, format="ISO8601")
        except ValueError:
            return k
    return 0


def _numbers(head: str, cells: list[str], key: str, name: str, line_of: list[int]) -> np.ndarray:
    """Return a column in W/m2, degC or m/s; NaN where a cell is blank."""
    written = re.sub(r"[_\s]+", " ", head.lower())
    word = next(word for word in _COLUMNS[key] if written.startswith(word))
    unit = None
    rest = head[len(word) :].strip(" _/()[]")
    if rest and key in _QUANTITY:
        unit = find_unit(rest, _QUANTITY[key])
        if unit is None or unit.quantity != _QUANTITY[key]:
            raise TableError(
                f"{rest!r} is not a unit of {_QUANTITY[key]}",
                f"{name}, column {head!r}",
                "write ghi_W_m2 or temp_air_degC",
            )
    elif rest and rest.lower().replace(" ", "") not in ("m/s", "m_s", "ms-1"):
        raise TableError(
            f"{rest!r} is not a unit of wind speed", f"{name}, column {head!r}", "write wind_m_s"
        )
    cells = ["" if c.strip().lower() in ("nan", "na", "n/a", "-", "--") else c for c in cells]
    marks = find_marks(((f"line {line_of[k]}", c) for k, c in enumerate(cells)), name)
    read = read_plain_numbers(cells, marks)
    if read is None:
        if not any(cell.strip() for cell in cells):
            return np.full(len(cells), np.nan)
        at = next(
            k for k, c in enumerate(cells) if c.strip() and read_plain_numbers([c], marks) is None
        )
        raise TableError(
            f"{cells[at].strip()!r} is not a number",
            f"{name}, column {head!r}, line {line_of[at]}",
            "leave the cell blank where nothing was measured",
        )
    values, _ = without_residue(np.array(read[0], dtype=float))
    return unit.to_base(values) if unit is not None else values


def _hours(times: Any, name: str, line_of: list[int] | None = None) -> float:
    """Return the length of a step, h; the times must rise by equal steps, gaps apart."""
    seconds = np.diff(times.as_unit("s").asi8)
    back = np.flatnonzero(seconds <= 0)
    if len(back):
        at = int(back[0]) + 1
        what = "is there twice" if seconds[at - 1] == 0 else "goes back"
        raise TableError(
            f"the time {times[at]} {what}",
            f"{name}, line {line_of[at]}" if line_of else name,
            "sort the rows by time and keep one of each",
        )
    step = float(np.median(seconds))
    if np.mean(np.abs(seconds / step - np.round(seconds / step)) > 0.05) > 0.01 or step > 7200:
        raise TableError(
            f"the steps are not equal (most are {step / 60:g} min), or longer than two hours",
            name,
            "give the light in equal steps of at most two hours",
        )
    return step / 3600
