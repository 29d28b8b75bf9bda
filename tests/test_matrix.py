"""A panel read from its matrix of IEC 61853-1, against measured modules.

Source of the matrices: tests/data/module_matrices/README.md.
"""

import time
from dataclasses import replace

import numpy as np
import pytest

from ivkit.errors import TableError
from ivkit.panel.datasheet import load_datasheet
from ivkit.panel.law import LAW, Statement, constrain, left_over
from ivkit.panel.matrix import U_MATRIX_PCT, read_matrix
from tests.laboratory import COLUMNS, FOLDER, QUANTITIES, single_junction
from tests.predicted import points_at

HEAD = "temp_cell_degC,irradiance_W_m2,isc_A,voc_V,imp_A,vmp_V,pmp_W\n"
#: Of each figure when the row is the datasheet: its digits alone, percent.
STATED = "isc_tolerance_pct = 0.1\nvoc_tolerance_pct = 0.1\npmp_tolerance_pct = 0.1\n"


def write(folder, rows, sheet="", head=HEAD):
    """Return a datasheet file beside a matrix of these rows."""
    (folder / "matrix.csv").write_text(head + "".join(f"{row}\n" for row in rows))
    path = folder / "panel.toml"
    path.write_text(f'{sheet}matrix = "matrix.csv"\n')
    return path


def of_module(module, rows):
    columns = ["temp_cell", "irradiance", "i_sc", "v_oc", "i_mp", "v_mp", "p_mp"]
    return [",".join(f"{x:g}" for x in row) for row in rows[columns].to_numpy()]


def halves(module):
    """Return every second condition by light and temperature, and the others, twice."""
    rest = module.others()
    rest = rest.iloc[np.lexsort((rest.temp_cell, rest.irradiance))]
    stc = module.rows[(module.rows.irradiance == 1000) & (module.rows.temp_cell == 25)]
    for first in (0, 1):
        given = of_module(module, rest[first::2])
        yield [*given[:3], *of_module(module, stc), *given[3:]], rest[1 - first :: 2]


def test_half_of_a_matrix_predicts_the_other_half(tmp_path):
    inside = {}
    for module in single_junction():
        for given, others in halves(module):
            path = write(
                tmp_path, given, f'technology = "{module.kind}"\ncells = {module.cells}\n{STATED}'
            )
            sheet = load_datasheet(path)
            errors = []
            for row in others.itertuples():
                points = points_at(sheet, row.irradiance, row.temp_cell)
                law = float(left_over(sheet.panel(), row.irradiance, row.temp_cell))
                for name in QUANTITIES:
                    value, measured = getattr(points, name), getattr(row, name)
                    off = value.nominal_value / measured - 1
                    u = [value.std_dev / measured, law, U_MATRIX_PCT[COLUMNS[name][0]] / 100]
                    known = abs(off) < 1.96 * np.linalg.norm(u)
                    inside.setdefault(module.silicon, []).append(known)
                    if name == "p_mp":
                        errors.append(off)
            if module.silicon:
                assert np.sqrt(np.mean(np.square(errors))) < 0.015, module.name
    assert np.mean(inside[True]) >= 0.93


def test_coefficients_come_from_the_matrix(tmp_path):
    for module in single_junction():
        if not module.silicon:
            continue
        sheet = load_datasheet(
            write(
                tmp_path,
                of_module(module, module.rows),
                f'technology = "{module.kind}"\ncells = {module.cells}\n',
            )
        )
        # modules.csv: the report's own coefficients, of the same campaign.
        assert sheet.beta_pct == pytest.approx(module.beta, rel=0.06)
        assert sheet.gamma_pct == pytest.approx(module.gamma, abs=0.04)
        assert not {a.figure for a in sheet.assumed} & {
            "alpha_isc_pct_per_K",
            "beta_voc_pct_per_K",
            "gamma_pmp_pct_per_K",
            "isc_A",
            "pmp_W",
        }


def test_a_matrix_tells_more_of_the_shunt_than_the_technology_does(tmp_path):
    module = next(m for m in single_junction() if m.kind == "c-Si")
    sheet = load_datasheet(write(tmp_path, of_module(module, module.rows), STATED))
    place = LAW.index("shunt")
    u = np.linalg.norm([shift[4 + place] for shift in sheet.shifts.values()])
    assert u < 0.5 * sheet.kind.law.shunt.u


def test_values_relate_to_the_own_row_and_not_to_the_label(tmp_path):
    module = next(m for m in single_junction() if m.kind == "c-Si")
    rows = of_module(module, module.rows)
    stc = module.figures()
    plain = load_datasheet(write(tmp_path, rows, STATED))
    label = f"isc_A = {1.02 * stc['i_sc']}\nvoc_V = {stc['v_oc']}\npmp_W = {1.02 * stc['p_mp']}\n"
    other = load_datasheet(write(tmp_path, rows, label))
    a, b = (s.panel().at(200.0, 25.0).key_points().p_mp / s.p_mp for s in (plain, other))
    assert a == pytest.approx(b, rel=0.003)


def test_decimal_commas_and_remarks(tmp_path):
    module = single_junction()[0]
    comma = [row.replace(",", ";").replace(".", ",") for row in of_module(module, module.rows)]
    path = write(tmp_path, ["# a remark", *comma], head="# invented\n" + HEAD.replace(",", ";"))
    matrix = read_matrix(path.with_name("matrix.csv"))
    assert matrix.values["pmp_W"] == pytest.approx(module.rows.p_mp.to_numpy())
    assert matrix.lines[0] == 4


STC = "25,1000,2.741,22.07,2.532,18.26,46.24"
LOW = "25,200,0.547,20.26,0.487,16.65,8.11"


@pytest.mark.parametrize(
    ("rows", "head", "sheet", "message"),
    [
        ([STC], HEAD.replace("pmp_W", "power"), "", r"matrix.csv, line 1: no column pmp_W"),
        ([LOW], HEAD, "isc_A = 2.7\nvoc_V = 22.0\n", r"no row at 1000 .* has no pmp_W"),
        ([LOW, STC], HEAD, "pmp_W = 50\n", r"line 3: pmp_W 46.24 .* has 50, 5 % either way"),
        ([STC, LOW.replace("0.547", "-0.547")], HEAD, "", r"line 3: isc_A -0.547 is not above"),
        ([STC, LOW.replace("8.11", "8.1x")], HEAD, "", r"line 3: pmp_W '8.1x' is not a number"),
        ([STC, LOW.replace("8.11", "81.1")], HEAD, "", r"line 3: .* fill factor of 7.32"),
        ([STC, LOW, LOW], HEAD, "", r"line 4: 200 W/m2 and 25 degC stand in line 3"),
        ([STC, LOW.replace("25,", "298,")], HEAD, "", r"temp_cell_degC 298 is not -40 to 120"),
        ([], HEAD, "", r"holds no row"),
    ],
)
def test_what_is_wrong_in_a_matrix_is_said_with_its_place(tmp_path, rows, head, sheet, message):
    with pytest.raises(TableError, match=message):
        load_datasheet(write(tmp_path, rows, sheet, head))


def test_stacked_junctions_keep_their_figures_and_say_so(tmp_path):
    rows = (FOLDER / "aSiTandem72-46.csv").read_text().splitlines()[1:]
    sheet = load_datasheet(write(tmp_path, rows, 'technology = "tandem"\n'))
    assert any("matrix.csv not used" in note for note in sheet.notes)
    assert sheet.p_mp == pytest.approx(46.0, rel=0.2)


def test_many_statements_are_fast_and_a_bad_one_breaks_nothing():
    for module in single_junction():
        sheet = module.sheet()
        prior, u = (
            sheet.law,
            np.maximum(np.linalg.norm(list(sheet.shifts.values()), axis=0)[4:], 1e-3),
        )
        given = [
            Statement(name, float(getattr(row, name)), 0.005, row.irradiance, row.temp_cell)
            for row in module.others().itertuples()
            for name in QUANTITIES
        ]
        figures = [module.figures()[name] for name in ("i_sc", "v_oc", "p_mp")]
        start = time.process_time()
        law, factor = constrain(*figures, prior, u, given)
        assert time.process_time() - start < 0.5  # 0.2 s on a quiet machine
        bad = [
            replace(given[0], value=np.nan),
            replace(given[0], value=np.inf),
            replace(given[0], value=0.0),
            replace(given[0], u=np.nan),
            replace(given[0], u=0.0),
            replace(given[0], temp_cell=np.inf),
            replace(given[0], irradiance=-1.0),
            Statement("gamma", np.nan, 0.01),
        ]
        same, as_well = constrain(*figures, prior, u, [*bad, *given])
        assert np.array_equal(law, same)
        assert np.array_equal(factor, as_well)
        assert np.all(np.isfinite(law))
        # A value that no panel has is not a number that breaks, either.
        wild, _ = constrain(*figures, prior, u, [*given, replace(given[0], value=1e9)])
        assert np.all(np.isfinite(wild))
