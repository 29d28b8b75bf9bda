"""What was understood of a file is said, whichever command reads it; the habits are invented."""

import json
import shutil
from pathlib import Path

import pytest

from ivkit.curve.diode import SingleDiode

ROOT = Path(__file__).parent.parent
PANEL = SingleDiode(0.25, 5e-10, 0.5, 900.0, 1.02)
VOLTS = (0.0, 5.0, 10.0, 13.0, 15.0, 16.5, 17.5, 18.3, 19.0, 19.6, 20.3)


@pytest.fixture
def here(tmp_path, command_line):
    """Untidy files: semicolons, decimal commas, latin-1, a preamble, a percent column."""
    rows = [f"P{k};{v};{1000 * PANEL.current(v):.2f};85 %" for k, v in enumerate(VOLTS)]
    text = "Messung vom Steg, 3\xb0 warm\n\nPunkt;U (V);I (mA);Duty %\n" + "\n".join(rows) + "\n"
    (tmp_path / "sweep.csv").write_bytes(text.replace(".", ",").encode("latin-1"))
    angles = ("0;12,1", "30;12,0", "50;11,5", "60;10", "70;5", "-30;12")
    lines = "".join(f"{one};220\n" for one in angles)
    (tmp_path / "angle.csv").write_text("Winkel;U (V);R\n" + lines)
    (tmp_path / "check.csv").write_text("R;U (V)\n47;3,94\n100;8,33\n150;12,38\n")
    (tmp_path / "log.csv").write_text("t/s;P/mW\n" + "".join(f"{k};5,1\n" for k in range(60)))
    shutil.copy(ROOT / "datasheets" / "jetty_10W.toml", tmp_path / "panel.toml")
    return command_line


SWEEP = [
    "read 'U (V)' as voltage in V",
    "read 'I (mA)' as current in mA",
    "read the file as latin-1",
    "read cells separated by semicolons",
    "read the comma as decimal mark",
    "not used: 'Punkt', 'Duty %'",
]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("characterize sweep.csv", SWEEP),
        ("load sweep.csv", SWEEP),
        ("plan sweep.csv", SWEEP),
        ("translate sweep.csv --irradiance 400 --temperature 30", SWEEP),
        ("angle angle.csv --datasheet panel.toml", ["read the comma as decimal mark"]),
        ("angle angle.csv --sweep sweep.csv", SWEEP),
        (
            "check check.csv --datasheet panel.toml --irradiance 137",
            ["read 'U (V)' as voltage in V"],
        ),
        (
            "lamp --sweep sweep.csv --sweep-irradiance 400 --sweep-temperature 30 --lux 5000 "
            "--source halogen --distance 0.5",
            SWEEP,
        ),
    ],
)
def test_every_decision_is_in_the_json(here, line, said):
    status, out, err = here(*line.split(), "--json", "-")
    assert status in (0, 1), err
    document = json.loads(out)
    notes = document["notes"]  # with the file's name where not all files read so
    for one in said:
        assert any(note == one or note.endswith(f".csv: {one}") for note in notes), one


def test_a_log_says_it_in_its_own_notes(here):
    status, out, _ = here("track", "log.csv", "--json", "-")
    assert status == 0
    assert "read 'P/mW' as power in mW" in out


def test_a_percent_sign_where_a_unit_belongs_is_refused_with_the_choices(here, tmp_path):
    (tmp_path / "percent.csv").write_text("U (V),I (%)\n18,20\n17,30\n")
    status, out, err = here("characterize", "percent.csv")
    assert (status, out) == (2, "")
    assert "percent.csv, column 'I (%)': '%' is no known unit of current; write one of A, mA" in err
