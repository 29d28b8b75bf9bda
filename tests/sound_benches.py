"""Sound benches: a panel that is as its datasheet or its sweep says, within what is stated.

A panel here is anything with ``ends(light, celsius)``, its Isc, Voc, Vmp and Imp, and ``at(load,
light, celsius)``, voltage and current on loads: by simulation (`tests.simulated_panels`) or as
measured (`tests.measured_benches`). Everything stated is off by its own uncertainty, so a verdict
other than plausible is a false alarm: 4.55 % of single readings (E_n beyond 1, k = 2), 2 % of
tables (chi-square).
"""

from dataclasses import dataclass

import numpy as np

from ivkit.errors import IvkitError
from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.predict.facing import Facing
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene, Warmth
from ivkit.verdict.plausibility import judge

PLAUSIBLE, ACCUSED, OPEN, REFUSED = "plausible", "accused", "undetermined", "refused"
#: Ranges of irradiance, W/m2.
LIGHTS = ((5.0, 50.0), (100.0, 300.0), (500.0, 1000.0))
#: False alarms as stated, of a single reading and of a table.
LEVEL = {"single": 0.0455, "table": 0.02}
#: Standard uncertainty of stated coefficients of Isc (%/K) and Voc (as a fraction), common
#: practice, no source.
U_ALPHA, U_BETA = 0.01, 0.05
_ACCUSES = ("too high", "too low", "inconsistent", "impossible")


@dataclass(frozen=True)
class Care:
    """How well a bench is known.

    Attributes
    ----------
    tolerance : tuple of float
        Of Isc, Voc and Pmp on the datasheet, plus or minus percent.
    digits : int
        Figures that the datasheet has.
    u_light, u_reading : float
        As fractions.
    u_temp : float
        K.
    """

    tolerance: tuple[float, float, float]
    digits: int
    u_light: float
    u_temp: float
    u_reading: float


#: Where little but the model is uncertain, and as people have it.
TIGHT = Care((1.0, 0.5, 1.0), 4, 0.01, 1.0, 0.005)
USUAL = Care((3.0, 2.0, 4.0), 3, 0.04, 2.0, 0.015)
CARES = {"tight": TIGHT, "usual": USUAL}


def verdict(scene, readings):
    """Return what the readings are called, no gross error being sought, and how far they are off.

    That is z, the distance in standard uncertainties: 1 in the mean square where they are right.
    """
    found = judge(scene, readings, errors=())
    z = 2.0 * found.compared.en if found.compared.single else _root(found.compared.together)
    if found.verdict in _ACCUSES:
        return ACCUSED, z
    return (PLAUSIBLE if found.verdict == PLAUSIBLE else OPEN), z


def _root(together):
    return np.sqrt(together.chi_square / together.freedom)


def rounded(value, digits):
    return float(f"{value:.{digits}g}")


def off_by_tolerance(figures, care, rng):
    """Return Isc, Voc, Imp, Vmp and Pmp as another panel of the same label has them.

    Even within the tolerances; power follows current and voltage, and the fill factor varies from
    panel to panel of a type by 1 % (common practice, no source). One beyond the tolerance of Pmp is
    not sold.
    """
    i_sc, v_oc, v_mp, i_mp = figures
    off_p = np.inf
    while abs(off_p) > care.tolerance[2] / 100:
        off_i, off_v = (rng.uniform(-t, t) / 100 for t in care.tolerance[:2])
        off_p = off_i + off_v + 0.01 * rng.standard_normal()
    p_mp = v_mp * i_mp * (1 + off_p)
    v_mp = v_mp * (1 + off_v)
    return i_sc * (1 + off_i), v_oc * (1 + off_v), p_mp / v_mp, v_mp, p_mp


def label(figures, coefficients, cells, care, thin=False, technology=None):
    """Return a datasheet with rounded figures; a thin one has power, cells and technology alone.

    Parameters
    ----------
    figures : tuple of float
        Isc, Voc, Imp, Vmp, Pmp.
    coefficients : tuple of float
        Of Isc, Voc and Pmp, %/K.

    Raises
    ------
    IvkitError
        No panel has the figures; then there is no verdict.
    """
    names = ("isc_A", "voc_V", "imp_A", "vmp_V", "pmp_W")
    keys = {n: rounded(x, care.digits) for n, x in zip(names, figures, strict=True)}
    if thin:
        keys = {"pmp_W": keys["pmp_W"]}
    else:
        names = ("alpha_isc_pct_per_K", "beta_voc_pct_per_K", "gamma_pmp_pct_per_K")
        keys |= {n: round(float(x), 3) for n, x in zip(names, coefficients, strict=True)}
        names = ("isc_tolerance_pct", "voc_tolerance_pct")
        keys |= dict(zip(names, care.tolerance[:2], strict=True))
    keys["pmp_tolerance_pct"] = care.tolerance[2]
    sheet = make_datasheet(SheetFile(cells=cells, technology=technology, **keys))
    sheet.panel()
    return sheet


def off_coefficients(true, rng):
    """Return coefficients as a datasheet has them, off as such figures are."""
    alpha, beta, gamma = true
    wrong = U_BETA * abs(beta) * rng.standard_normal()
    # Pmp falls mostly because Voc does, so whoever has measured the one wrong has the other.
    gamma = gamma + wrong + 0.02 * abs(gamma) * rng.standard_normal()
    return alpha + U_ALPHA * rng.standard_normal(), beta + wrong, gamma


def stated(sheet, light, celsius, care):
    """Return the scene of a bench."""
    return Scene(sheet, Facing.of(light, care.u_light * light), Warmth(celsius, care.u_temp))


def true_condition(light, celsius, care, rng):
    """Return the light and the temperature that there are where these are stated."""
    off = rng.standard_normal(2)
    return light * (1 + care.u_light * off[0]), celsius + care.u_temp * off[1]


def written(values, u, rng):
    """Return values as meters of 4000 counts show them, with the step of the last digit.

    Half of the variance is common to all readings of a meter, half is not.
    """
    values = np.atleast_1d(values)
    share = u / np.sqrt(2.0)
    seen = values * (1 + share * rng.standard_normal())
    seen = seen * (1 + share * rng.standard_normal(len(values)))
    step = 10.0 ** np.ceil(np.log10(np.max(np.abs(seen)) / 3999.0))
    return np.round(seen / step) * step, step


def at_maximum(panel, light, celsius, care, rng):
    """Return one reading, of the maximum power, in this true light and temperature."""
    *_, v_mp, i_mp = panel.ends(light, celsius)
    power, step = written(v_mp * i_mp, care.u_reading, rng)
    return Readings.of(power=power, load=np.nan, u=care.u_reading, step={"power": step})


def table_of_loads(panel, light, celsius, care, rng, tolerance=0.01):
    """Return four to eight readings of voltage and current on loads good to ``tolerance``."""
    i_sc, v_oc, *_ = panel.ends(light, celsius)
    count = int(rng.integers(4, 9))
    load = v_oc / i_sc * np.geomspace(rng.uniform(0.1, 0.4), rng.uniform(2.0, 8.0), count)
    v, i = panel.at(load * (1 + rng.uniform(-tolerance, tolerance, count)), light, celsius)
    (v, step_v), (i, step_i) = (written(x, care.u_reading, rng) for x in (v, i))
    return Readings.of(
        voltage=v,
        current=i,
        load=load,
        u=care.u_reading,
        u_load=tolerance / np.sqrt(3.0),
        step={"voltage": step_v, "current": step_i},
    )


def tried(make):
    """Return what ``make()`` is called, or that ivkit refuses it, with z."""
    try:
        return make()
    except IvkitError:
        return REFUSED, np.nan
