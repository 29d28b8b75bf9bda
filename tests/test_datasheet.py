"""Datasheets: gaps filled and said so, doubt carried, nonsense refused."""

import itertools
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.curve.uncertainty import budget
from ivkit.errors import BenchError, FileError, IvkitError, RangeError
from ivkit.panel.datasheet import load_datasheet, make_datasheet
from ivkit.panel.fill import FIGURES, fill
from ivkit.panel.module_table import TABLE, module_from_table, module_table, sheet_of
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.technology import TECHNOLOGY
from tests.predicted import points_at

SHEETS = Path(__file__).parents[1] / "datasheets"

# Invented.
WHOLE = {
    "technology": "c-Si",
    "cells": 36,
    "isc_A": 0.63,
    "voc_V": 21.8,
    "imp_A": 0.57,
    "vmp_V": 17.6,
    "pmp_W": 10.0,
    "isc_tolerance_pct": 5.0,
    "voc_tolerance_pct": 3.0,
    "pmp_tolerance_pct": 5.0,
    "alpha_isc_pct_per_K": 0.05,
    "beta_voc_pct_per_K": -0.33,
    "gamma_pmp_pct_per_K": -0.45,
    "nmot_degC": 46.0,
    "bypass_groups": 0,
}

# 1 and 99 % points of the CEC table that pvlib ships: mono- and multicrystalline (20,946), CdTe
# (20), thin films of all kinds (561). Fill factor, Imp/Isc, Vmp/Voc, then %/K of Isc, Voc, Pmp.
RANGES = {
    "c-Si": [(0.713, 0.798), (0.886, 0.967), (0.776, 0.843), (0.01, 0.11), (-0.43, -0.28),
             (-0.57, -0.38)],
    "HJT": [(0.713, 0.800), (0.886, 0.972), (0.776, 0.850), (0.00, 0.11), (-0.44, -0.25),
            (-0.57, -0.31)],
    "CdTe": [(0.723, 0.777), (0.896, 0.929), (0.807, 0.836), (0.055, 0.057), (-0.281, -0.277),
             (-0.26, -0.24)],
    "thin": [(0.549, 0.769), (0.761, 0.944), (0.695, 0.865), (-0.01, 0.14), (-0.43, -0.17),
             (-0.53, -0.18)],
}  # fmt: skip
# Voc of a cell: the table's range, or from 0.35 V to the record of Green et al. for thin films.
# HJT: the table's monocrystalline modules (9,725) and the record of a silicon cell, 0.738 V.
VOC = {
    "c-Si": (0.604, 0.649),
    "HJT": (0.604, 0.738),
    "CdTe": (0.812, 0.832),
    "a-Si": (0.35, 0.896),
    "CIGS": (0.35, 0.734),
}


@pytest.mark.parametrize("name", VOC)
def test_defaults_of_each_technology_are_inside_what_the_market_sells(name):
    kind = TECHNOLOGY[name]
    sheet = make_datasheet(SheetFile(technology=name, cells=36, pmp_W=10.0))
    found = (
        sheet.i_mp * sheet.v_mp / (sheet.i_sc * sheet.v_oc),
        sheet.i_mp / sheet.i_sc,
        sheet.v_mp / sheet.v_oc,
        sheet.alpha_pct,
        sheet.beta_pct,
        sheet.gamma_pct,
    )
    for value, (low, high) in zip(found, RANGES.get(name, RANGES["thin"]), strict=True):
        assert low <= value <= high
    low, high = VOC[name]
    assert low <= sheet.v_oc / 36 <= high
    assert kind.voc_limits[0] <= sheet.v_oc / 36 <= kind.voc_limits[1]
    assert sheet.notes == ()  # the defaults are the figures of a physical panel
    ideality = sheet.panel().nNsVth / 36 / 0.025693
    assert 0.8 < ideality < 2.2


def test_a_whole_sheet_is_taken_as_it_stands():
    sheet = make_datasheet(SheetFile(**WHOLE))
    assert sheet.assumed == ()
    assert sheet.notes == ()
    points = sheet.panel().at(1000.0, 25.0).key_points()
    assert (points.i_sc, points.v_oc, points.p_mp) == pytest.approx(
        (0.63, 21.8, 0.57 * 17.6), rel=1e-9
    )
    # Vmp at that power and the coefficients are as stated within what such statements hold.
    assert points.v_mp == pytest.approx(17.6, rel=0.004)
    warm, cold = (sheet.panel().at(1000.0, t).key_points() for t in (45.0, 5.0))
    assert (warm.v_oc - cold.v_oc) / 40 / 21.8 == pytest.approx(-0.0033, rel=0.02)
    assert (warm.p_mp - cold.p_mp) / 40 / 10.03 == pytest.approx(-0.0045, abs=3e-4)
    assert (sheet.p_mp, sheet.p_mp_tolerance, sheet.area_m2) == (10.0, 0.05, None)
    assert "10 W, Isc 0.63 A, Voc 21.8 V, c-Si, 0 figures assumed" in str(sheet)


def test_the_prediction_at_the_reference_is_as_wide_as_the_sheets_own_tolerances():
    points = points_at(make_datasheet(SheetFile(**WHOLE)))
    # A tolerance is the half-width of a rectangle: over sqrt(3) (GUM 4.3.7). The exponential of a
    # shift of 3 % is straight to 1e-3.
    for quantity, tolerance in ((points.i_sc, 0.05), (points.v_oc, 0.03), (points.p_mp, 0.05)):
        u = quantity.std_dev / quantity.nominal_value
        assert u == pytest.approx(tolerance / sqrt(3), rel=2e-3)
    u_fill = points.fill_factor.std_dev / points.fill_factor.nominal_value
    assert u_fill == pytest.approx(0.015, rel=0.01)


@pytest.mark.parametrize(
    "given_figures",
    [
        subset
        for n in range(1, 6)
        for subset in itertools.combinations(("isc_A", "voc_V", "imp_A", "vmp_V", "pmp_W"), n)
        if {"isc_A", "imp_A", "pmp_W"} & set(subset)
    ],
)
def test_any_subset_of_figures_makes_a_panel_that_keeps_what_was_given(given_figures):
    values = {k: WHOLE[k] for k in given_figures if k != "imp_A" or "pmp_W" not in given_figures}
    if "imp_A" in given_figures and "pmp_W" in given_figures:
        values["imp_A"] = 10.0 / 17.6
    sheet = SheetFile(cells=36, **values)
    filled = fill(sheet)
    found = dict(zip(FIGURES, filled.figures, strict=True))
    for figure, value in values.items():
        if figure == "pmp_W":
            assert found["vmp_V"] * found["imp_A"] == pytest.approx(value)
        else:
            assert found[figure] == pytest.approx(value)
    marked = {a.figure for a in filled.assumed}
    assert marked >= {f for f in FIGURES if f not in values}
    assert not marked & set(values)
    # What was given is no less certain than its tolerance, what was filled is less certain.
    spread = np.sqrt(sum(np.square(s) for s in filled.sources.values()))
    for k, figure in enumerate(FIGURES):
        assert 0 < spread[k] < 0.12
        if figure not in values:
            assert spread[k] > 0.01
    if "pmp_W" in values:
        along = sum(float(s[2] + s[3]) ** 2 for s in filled.sources.values())
        assert sqrt(along) == pytest.approx(0.05 / sqrt(3), rel=1e-9)
    made = make_datasheet(sheet)
    assert np.isfinite(made.panel().photocurrent)
    assert np.isfinite(points_at(made, 500.0, 40.0).p_mp.std_dev)


def test_a_label_with_watts_and_cells_only_is_enough_but_wide():
    sheet = make_datasheet(SheetFile(pmp_W=10.0, cells=36))
    told = {a.figure: a for a in sheet.assumed}
    assert set(told) == {
        "isc_A", "voc_V", "imp_A", "vmp_V", "pmp_tolerance_pct", "alpha_isc_pct_per_K",
        "beta_voc_pct_per_K", "gamma_pmp_pct_per_K", "nmot_degC", "bypass_groups",
    }  # fmt: skip
    assert "CEC table" in told["voc_V"].source
    assert any("technology not stated: taken as c-Si" in note for note in sheet.notes)
    assert told["pmp_tolerance_pct"].source == "common practice, no source"
    points = points_at(sheet)
    assert points.v_oc.std_dev / points.v_oc.nominal_value > 0.03
    assert points.i_sc.std_dev / points.i_sc.nominal_value > 0.03


# The open table is the outside: thin labels made of its crystalline modules against their ratings.
def test_a_thin_labels_uncertainty_holds_for_modules_on_the_market():
    table = module_table()
    rows = table[table["Technology"].isin(["Mono-c-Si", "Multi-c-Si"])].iloc[::100]
    scores = {"Isc": [], "Voc": [], "P at 200 W/m2": []}
    for name, row in zip(rows.index, rows.to_dict("records"), strict=True):
        whole = sheet_of(str(name), row)
        if whole.cells is None:
            continue
        power = whole.v_mp * whole.i_mp
        thin = make_datasheet(SheetFile(pmp_W=power, cells=whole.cells, pmp_tolerance_pct=0.5))
        points = points_at(thin)
        faint = points_at(thin, 200.0, 45.0).p_mp
        true = whole.panel().at(200.0, 45.0).key_points().p_mp
        for key, predicted, rated in (
            ("Isc", points.i_sc, whole.i_sc),
            ("Voc", points.v_oc, whole.v_oc),
            ("P at 200 W/m2", faint, true),
        ):
            scores[key].append((predicted.nominal_value - rated) / predicted.std_dev)
    for key, score in scores.items():
        assert len(score) > 200
        # 95 % are due within two standard uncertainties; fewer than 90 would be boasting.
        assert np.mean(np.abs(score) < 2) >= 0.90, key
        assert np.std(score) > 0.3, key  # and not so wide that it says nothing


def test_uncertain_light_and_temperature_are_part_of_the_budget():
    sheet = make_datasheet(SheetFile(**WHOLE))
    points = points_at(sheet, 800.0, 45.0, 40.0, 2.0)
    shares = budget(points.p_mp)
    assert shares["irradiance"] > 0.4
    assert shares["cell temperature"] > 0.01
    sure = points_at(sheet, 800.0, 45.0).p_mp
    # Power follows the light nearly in proportion: 5 % in quadrature.
    wide = sqrt((points.p_mp.std_dev / points.p_mp.nominal_value) ** 2)
    assert wide == pytest.approx(sqrt((sure.std_dev / sure.nominal_value) ** 2 + 0.05**2), rel=0.05)


def test_low_irradiance_brings_the_unknown_shunt_into_the_budget():
    sheet = make_datasheet(SheetFile(**WHOLE))
    low = budget(points_at(sheet, 20.0, 25.0).p_mp)
    assert low["shunt below 100 W/m2"] > 0.1
    high = budget(points_at(sheet, 200.0, 25.0).p_mp)
    assert high.get("shunt below 100 W/m2", 0.0) == 0.0
    assert high["shunt at 200 W/m2"] + high["diode ideality factor"] > 0.1


@pytest.mark.parametrize("key", [{"pmp_200_W": 1.9}, {"efficiency_drop_200_pct": 5.28}])
def test_a_stated_power_at_200_w_takes_the_place_of_what_is_usual(key):
    # EN 50380: 1.9 W of 10.03 W at a fifth of the light is 5.28 % less efficiency.
    exact = {f"{name}_tolerance_pct": 0.01 for name in ("isc", "voc", "pmp")}
    usual, stated = (
        points_at(make_datasheet(SheetFile(**WHOLE | exact | more)), 200.0, 25.0).p_mp
        for more in ({}, key)
    )
    assert stated.nominal_value == pytest.approx(1.9, rel=0.01)
    # A statement of 1 % takes the place of what measured modules scatter by.
    assert 0.02 < usual.std_dev / usual.nominal_value < 0.035
    assert stated.std_dev / stated.nominal_value < 0.01


def test_a_vmp_that_no_diode_of_its_kind_has_is_said():
    bent = make_datasheet(SheetFile(**WHOLE | {"imp_A": 0.613, "vmp_V": 16.3}))
    assert "no diode of this kind has the sheet's Vmp at its power" in bent.notes[0]
    points = bent.panel().at(1000.0, 25.0).key_points()
    assert points.p_mp == pytest.approx(0.613 * 16.3, rel=1e-9)
    assert points.v_mp > 16.4


def test_figures_that_no_panel_has_are_refused():
    square = {"imp_A": 0.625, "vmp_V": 19.7, "pmp_W": 12.3}
    sheet = make_datasheet(SheetFile(**WHOLE | square))
    with pytest.raises(BenchError, match=r"no panel has these figures: .*fill factor"):
        sheet.panel({"datasheet Pmp": 0.0, "datasheet Isc": 0.0})
    near = make_datasheet(SheetFile(**WHOLE | {"imp_A": 0.6, "vmp_V": 19.0, "pmp_W": 11.5}))
    with pytest.raises(RangeError, match="fill factor"):
        near.panel({"datasheet Pmp": 40.0})


@pytest.mark.parametrize("name", ["tandem", "triple"])
def test_stacked_junctions_are_recognised_and_nothing_is_claimed_of_other_light(name):
    stack = {"technology": name, "cells": 14 if name == "tandem" else 10}
    sheet = make_datasheet(
        SheetFile(**WHOLE | stack | {"vmp_V": 16.0, "imp_A": 0.55, "pmp_W": 8.8})
    )
    with pytest.raises(
        BenchError, match=r"no single diode .* could not be determined; take a sweep"
    ):
        sheet.panel()


REFUSED = [
    ({"imp_A": 0.7, "pmp_W": None}, "imp_A 0.7 is not below isc_A 0.63"),
    ({"vmp_V": 22.0, "pmp_W": None}, "vmp_V 22 is not below voc_V 21.8"),
    ({"pmp_W": 12.0}, "pmp_W 12 is not vmp_V times imp_A, 10.03 W"),
    ({"cells": 72}, "voc_V 21.8 from 72 cells in series is 0.303 V a cell; .*about 35 in series"),
    ({"cells": 18}, "1.21 V a cell"),
    ({"beta_voc_pct_per_K": 0.33}, "beta_voc_pct_per_K 0.33 is positive; .*write -0.33"),
    (
        {"beta_voc_pct_per_K": -0.0719},
        "beta_voc_pct_per_K -0.0719 .*in V/K it would be: write -0.33",
    ),
    ({"beta_voc_pct_per_K": -71.9}, "in mV/K it would be: write -0.33"),
    ({"beta_voc_pct_per_K": -0.0033}, "as a share of 1 it would be: write -0.33"),
    ({"beta_voc_pct_per_K": -3.0}, "-3 is outside -0.55 to -0.2 %/K; give it in %/K"),
    ({"gamma_pmp_pct_per_K": -0.045}, "gamma_pmp_pct_per_K -0.045 .*in W/K .*write -0.45"),
    ({"gamma_pmp_pct_per_K": 0.45}, "gamma_pmp_pct_per_K 0.45 is positive"),
    ({"alpha_isc_pct_per_K": 0.0005}, "alpha_isc_pct_per_K 0.0005 .*write 0.0[57]"),
    ({"alpha_isc_pct_per_K": 0.5}, "alpha_isc_pct_per_K 0.5 is outside -0.06 to 0.25"),
    ({"alpha_isc_pct_per_K": 0.32}, "in mA/K it would be: write 0.0508"),
    ({"nmot_degC": 319.0}, "nmot_degC 319 is outside the 30 to 80 degC"),
    ({"bypass_groups": 40}, "bypass_groups 40 is more than cells 36"),
    ({"area_cm2": 200.0}, "from area_cm2 200 is an efficiency of 50%"),
    ({"imp_A": None, "vmp_V": None, "pmp_W": 13.0}, "make a fill factor of 0.947"),
    ({"imp_A": 0.3, "pmp_W": None}, "imp_A 0.3 is only 48% of isc_A 0.63"),
    ({"imp_A": None, "isc_A": None, "pmp_W": None}, "gives no current and no power"),
    (
        {"cells": None, "voc_V": None, "vmp_V": None, "isc_A": None, "imp_A": None},
        "gives no voltage",
    ),
]


@pytest.mark.parametrize(("change", "message"), REFUSED)
def test_an_inconsistent_sheet_is_refused_with_the_figure_named(change, message):
    with pytest.raises(BenchError, match=message):
        make_datasheet(SheetFile(**WHOLE | change))


def test_thin_figures_that_contradict_each_other_are_refused():
    with pytest.raises(BenchError, match=r"the figures make vmp .*not below voc"):
        make_datasheet(SheetFile(isc_A=1.0, imp_A=0.6, pmp_W=11.9, voc_V=19.0))


def test_the_example_sheet_reads_and_errors_name_file_and_key(tmp_path):
    sheet = load_datasheet(SHEETS / "jetty_10W.toml")
    assert (sheet.p_mp, sheet.cells, sheet.area_m2) == (10.0, 36, 0.081)
    # Martin and Ruiz, a_r 0.19, times exp(-0.06 (1/3)^6), by mpmath.
    assert sheet.iam(60.0) == pytest.approx(0.93278973, abs=1e-8)
    file = tmp_path / "sheet.toml"
    file.write_text('pmp_W = 10\ncells = 36\nglass = "antireflective"\n')
    assert load_datasheet(file).iam(60.0) == pytest.approx(0.94976663, abs=1e-8)  # a_r 0.17
    for text, message in (
        ("pmp_W = 10\n", "sheet.toml: gives no voltage"),
        ("pmp_w = 10\n", "sheet.toml: unknown key 'pmp_w'; did you mean 'pmp_W'"),
        ("isc_A = 1\nimp_A = 2\n", "sheet.toml: imp_A 2 is not below isc_A 1"),
        ('technology = "c-Sj"\n', "sheet.toml, technology: 'c-Sj' is not one of the choices"),
        ("isc_A = -1\n", "sheet.toml, isc_A: -1 is negative"),
    ):
        file.write_text(text)
        with pytest.raises(BenchError, match=message):
            load_datasheet(file)
    with pytest.raises(FileError, match="no such file"):
        load_datasheet(tmp_path / "none.toml")


def test_a_module_of_the_table_is_found_whatever_its_punctuation():
    name = str(module_table().index[4321])
    sheet = module_from_table(f"  {name.upper().replace('-', ' ')} ")
    row = module_table().loc[name]
    assert sheet.name == name
    assert (sheet.i_sc, sheet.v_oc) == (row["I_sc_ref"], row["V_oc_ref"])
    assert sheet.beta_pct == pytest.approx(100 * row["beta_oc"] / row["V_oc_ref"])
    assert sheet.alpha_pct == pytest.approx(100 * row["alpha_sc"] / row["I_sc_ref"])
    assert "five parameters are not used" in sheet.notes[0]


def test_isc_is_the_rated_one_also_where_the_tables_own_parameters_have_raised_it():
    """4,821 modules: the table's parameters give Isc 1 to 5 % above the rating."""
    from pvlib.pvsystem import i_from_v

    table = module_table()
    own = i_from_v(
        0.0, table["I_L_ref"], table["I_o_ref"], table["R_s"], table["R_sh_ref"], table["a_ref"]
    )
    raised = np.flatnonzero(own / table["I_sc_ref"] > 1.009)
    assert len(raised) == 4821
    for k in raised[::800]:
        sheet = sheet_of(str(table.index[k]), table.iloc[k])
        points = sheet.panel().at(1000.0, 25.0).key_points()
        assert points.i_sc == pytest.approx(table["I_sc_ref"].iloc[k], rel=1e-9)


def test_every_hundredth_module_of_the_table_makes_a_datasheet_and_a_panel():
    rows = module_table().iloc[7::100]
    for name, row in zip(rows.index, rows.to_dict("records"), strict=True):
        sheet = sheet_of(str(name), row)
        panel = sheet.panel()
        assert np.isfinite(panel.photocurrent)
        if sheet.cells:
            low, high = sheet.kind.voc_limits
            assert low <= sheet.v_oc / sheet.cells <= high


def test_an_unknown_module_is_refused_with_near_matches():
    name = str(module_table().index[4321])
    with pytest.raises(BenchError, match=f"{TABLE[:9]}.*no module .*did you mean '"):
        module_from_table(f"{name}~zz")
    with pytest.raises(BenchError, match="no module 'qq~qq'; write a datasheet file instead"):
        module_from_table("qq~qq")


def test_rows_of_the_table_that_need_an_assumption_say_so():
    table = module_table()
    thin = table[table["Technology"] == "Thin Film"]
    assert any("taken as" in note for note in sheet_of("thin", thin.iloc[0]).notes)
    odd = thin.iloc[0].copy()
    odd["N_s"] = 7
    sheet = sheet_of("odd", odd)
    assert sheet.cells is None
    assert any("their number is left open" in note for note in sheet.notes)
    odd["I_mp_ref"] = 2 * odd["I_sc_ref"]
    with pytest.raises(BenchError, match=r"CEC module table \(2019\), odd: imp_A"):
        sheet_of("odd", odd)


_FIGURE = st.one_of(st.none(), st.floats(1e-6, 2000.0), st.floats(0.3, 40.0))


@settings(max_examples=300, deadline=None)
@given(
    isc=_FIGURE,
    voc=_FIGURE,
    imp=_FIGURE,
    vmp=_FIGURE,
    pmp=_FIGURE,
    cells=st.one_of(st.none(), st.integers(1, 200)),
    alpha=st.one_of(st.none(), st.floats(-1.0, 1.0)),
    beta=st.one_of(st.none(), st.floats(-1.0, 0.1)),
    tolerance=st.one_of(st.none(), st.floats(0.0, 50.0)),
    technology=st.sampled_from(sorted(TECHNOLOGY)),
)
def test_whatever_a_sheet_says_there_is_a_panel_or_a_sentence(
    isc, voc, imp, vmp, pmp, cells, alpha, beta, tolerance, technology
):
    try:
        sheet = make_datasheet(
            SheetFile(
                technology=technology,
                cells=cells,
                isc_A=isc,
                voc_V=voc,
                imp_A=imp,
                vmp_V=vmp,
                pmp_W=pmp,
                alpha_isc_pct_per_K=alpha,
                beta_voc_pct_per_K=beta,
                isc_tolerance_pct=tolerance,
                pmp_tolerance_pct=tolerance,
            )
        )
        points = points_at(sheet, 600.0, 40.0)
    except IvkitError:
        return  # anything else that is raised fails this test
    for name in ("i_sc", "v_oc", "v_mp", "i_mp"):
        value = getattr(points, name)
        assert np.isfinite(value.nominal_value)
        assert value.nominal_value > 0
        assert np.isfinite(value.std_dev)
    assert points.p_mp.nominal_value < sheet.i_sc * sheet.v_oc
