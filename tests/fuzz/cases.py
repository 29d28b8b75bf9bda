"""Every command that reads files, as it is called, and which of the files can be damaged."""

from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.mutations import as_workbook

ROOT = Path(__file__).parent.parent.parent
PVLIB_YEAR = "703165TY.csv"  # a TMY3 file that pvlib brings along


@dataclass(frozen=True)
class Case:
    """One way to call a command.

    Attributes
    ----------
    line : str
        The words of the call; those that name a file of `sound_files` can be damaged.
    weight : int
        How often it is drawn; calls that take long are drawn less often.
    stdin : str
        File that standard input is fed from.
    """

    line: str
    weight: int = 10
    stdin: str = ""

    @property
    def command(self) -> str:
        """Name of the command."""
        return self.line.split()[0]


_SHED = "--bench shed.toml --cells 36"
_JETTY = "jetty.csv --bench jetty.toml"

CASES = (
    Case(f"characterize shed.csv {_SHED} --json -", 20),
    Case("characterize volts.csv --load 47"),
    Case("characterize volts.xlsx --sheet Sheet --column voltage=voltage_V", 5),
    Case("characterize volts.xlsx --json -", 20),
    Case("characterize transposed.txt --json -"),
    Case("characterize - --csv -", 10, "volts.csv"),
    Case("characterize shed.csv jetty.csv --together --bench jetty.toml --json -", 5),
    Case("characterize volts.csv --trials 200 --json -", 3),
    Case("characterize shed.csv --bench shed.toml --plot sweep.png", 2),
    Case(
        "plan --datasheet panel.toml --bench jetty.toml --irradiance 855 --temperature 45 --json -"
    ),
    Case("plan shed.csv --bench shed.toml --csv -"),
    Case("plan volts.xlsx --drawer 1,10,47,100,220,470", 5),
    Case("load shed.csv --bench shed.toml --json -"),
    Case("load shed.csv jetty.csv --bench jetty.toml --weight 3 --weight 1 --series E24", 5),
    Case("load volts.xlsx", 5),
    Case(f"translate {_JETTY} --datasheet panel.toml --json -", 10),
    Case(
        "translate jetty.csv shed.csv --bench jetty.toml --second-bench dim.toml "
        "--to-irradiance 500"
    ),
    Case("translate volts.xlsx --irradiance 400 --temperature 30 --csv -", 5),
    Case("lamp --bench shed.toml --temperature 33 --json -", 5),
    Case("lamp --sweep jetty.csv --sweep-bench jetty.toml --bench shed.toml", 4),
    Case("lamp --datasheet panel.toml --spectrum spectrum.csv --lux 6000 --distance 0.35"),
    Case("angle angle.csv --datasheet panel.toml --json -"),
    Case("angle angle.xlsx --sweep shed.csv --bench shed.toml", 5),
    Case("check check.csv --datasheet panel.toml --irradiance 137 --temperature 33 --json -"),
    Case("check check.xlsx --sweep jetty.csv --bench jetty.toml --irradiance 137", 8),
    Case("check --power 0.2 --load 33 --irradiance 800 --datasheet panel.toml", 5),
    Case("track track.csv --load 68 --datasheet panel.toml --json -"),
    Case("track jetty_track.csv --load 22 --sweep jetty.csv --bench jetty.toml", 6),
    Case("track track.xlsx --load 68", 5),
    Case("track - --load 68", 4, "track.csv"),
    Case("sun --weather table.csv --latitude 51.5 --longitude 0 --day 2023-06-21 --timezone UTC"),
    Case("sun --weather day.epw --day 2026-06-21 --timezone UTC --json -"),
    Case(f"sun --weather {PVLIB_YEAR} --day 2026-06-21 --timezone UTC", 2),
    Case(
        "sun --latitude 51.5 --longitude 0 --day 2026-06-21 --timezone UTC --datasheet panel.toml "
        "--load 33 --step 30",
        4,
    ),
    Case("batch shed.csv jetty.csv --bench jetty.toml"),
    Case("batch long.csv --out rows.jsonl"),
    Case("batch long.xlsx volts.xlsx", 5),
    Case("batch - --by run", 4, "long.csv"),
    Case("report shed.toml --out page.html", 3),
    Case("report jetty.toml jetty.csv --out page.html", 2),
    Case("simulate --datasheet panel.toml --bench shed.toml --truth truth.json"),
    Case("simulate --sweep volts.csv --out made.csv", 5),
    Case("simulate --sweep jetty.csv --bench jetty.toml --drift 5", 5),
    Case("watch check.csv --datasheet panel.toml --irradiance 137", 5),
)


def sound_files() -> dict[str, bytes]:
    """Return the files that the calls name, all of them sound."""
    import pvlib

    examples = ROOT / "examples"
    files = {
        "panel.toml": (ROOT / "datasheets" / "jetty_10W.toml").read_bytes(),
        "shed.csv": (examples / "shed_sweep.csv").read_bytes(),
        "jetty.csv": (examples / "jetty_sweep.csv").read_bytes(),
        "shed_sweep.csv": (examples / "shed_sweep.csv").read_bytes(),
        "jetty_sweep.csv": (examples / "jetty_sweep.csv").read_bytes(),
        "shed_angle.csv": (examples / "shed_angle.csv").read_bytes(),
        "angle.csv": (examples / "shed_angle.csv").read_bytes(),
        "shed_check.csv": (examples / "shed_check.csv").read_bytes(),
        "check.csv": (examples / "shed_check.csv").read_bytes(),
        "track.csv": (examples / "shed_track.csv").read_bytes(),
        "jetty_track.csv": (examples / "jetty_track.csv").read_bytes(),
        "volts.csv": _volts(),
        "transposed.txt": _transposed(),
        "long.csv": _long(),
        "table.csv": _weather_table(),
        "day.epw": _epw(),
        "spectrum.csv": b"wavelength_nm,W_m2_nm\n"
        + b"".join(
            b"%d,%.4f\n" % (nm, 1 + nm / 700 - (nm / 1100) ** 4) for nm in range(350, 1201, 25)
        ),
        PVLIB_YEAR: (Path(pvlib.__file__).parent / "data" / PVLIB_YEAR).read_bytes(),
    }
    for bench in ("bench", "jetty"):
        text = (examples / f"{bench}.toml").read_bytes()
        name = "shed.toml" if bench == "bench" else "jetty.toml"
        files[name] = text.replace(b"../datasheets/jetty_10W.toml", b"panel.toml")
    files["dim.toml"] = files["shed.toml"].replace(
        b"[condition]", b"[condition]\nirradiance_W_m2 = 140\nu_irradiance_W_m2 = 5"
    )
    for name in ("volts", "angle", "check", "track", "long"):
        files[f"{name}.xlsx"] = as_workbook(files[f"{name}.csv"])
    return files


def _points(il: float = 0.25, steps: int = 16) -> list[tuple[float, float]]:
    """Readings of an invented 36-cell panel by the single-diode equation without resistances."""
    from math import exp

    volts = [20.3 * k / steps for k in range(steps + 1)]
    return [(v, il - 5e-10 * (exp(v / 1.02) - 1)) for v in volts]


def _volts() -> bytes:
    rows = [f"{v:.3f},{i:.5f},{v * i:.5f}" for v, i in _points()]
    return "\n".join(["# invented", "voltage_V,current_A,power_W", *rows, ""]).encode()


def _transposed() -> bytes:
    points = _points(steps=9)
    rows = [
        ["U/V", *(f"{v:.2f}" for v, _ in points)],
        ["I/mA", *(f"{1e3 * i:.1f}" for _, i in points)],
    ]
    return ("\n".join("\t".join(row) for row in rows) + "\n").replace(".", ",").encode()


def _long() -> bytes:
    lines = ["run,voltage_V,current_A"]
    for run, light in enumerate((0.25, 0.2, 0.1), start=1):
        lines += [f"{run},{v:.3f},{i:.5f}" for v, i in _points(light, 12)]
    return ("\n".join(lines) + "\n").encode()


def _weather_table() -> bytes:
    from math import pi, sin

    lines = ["time,ghi,dni,dhi"]
    for hour in range(24):
        high = max(sin(pi * (hour - 4) / 16), 0.0) if 4 < hour < 20 else 0.0
        lines.append(f"2023-06-21T{hour:02}:30Z,{800 * high:.1f},{800 * high:.1f},{100 * high:.1f}")
    return ("\n".join(lines) + "\n").encode()


def _epw() -> bytes:
    """An invented day in the field order of the EnergyPlus EPW data dictionary."""
    lines = ["LOCATION,Jetty,-,-,-,000000,51.50,0.00,0.0,5.0"] + ["COMMENTS,invented"] * 7
    for hour in range(1, 25):
        light = 500 if 6 <= hour <= 19 else 0
        lines.append(
            f"2001,6,21,{hour},60,?,20,10,50,101325,1400,1400,300,{light},{light},{light // 5},"
            "0,0,0,0,180,2,5,5,10,1000,9,999999999,100,0.1,0,88,0.2,0,1"
        )
    return ("\n".join(lines) + "\n").encode()
