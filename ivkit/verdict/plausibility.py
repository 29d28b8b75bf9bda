"""Are these readings what physics says they should be, and if not, which slip explains them.

Every reading is predicted for its own load, angle, light and temperature, with the doubt of each
cause; readings share causes, so they are judged together: the differences of the logarithms of
measured and predicted voltage and current against their full covariance. A slip is another
prediction of what would have been written down; it is judged on all readings at once.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import SweepError
from ivkit.light.incidence import beam_on_plane
from ivkit.panel.cells import cells_under
from ivkit.panel.low_light import in_faint_light
from ivkit.shown import Shown
from ivkit.verdict.score import TOO_WIDE

Array = NDArray[np.float64]

#: Of a reading where nothing is stated: 1 sigma, as a share (common practice, no source).
U_READING = 0.02
_SURE = 0.98  # of chi-square, for several readings together; one is judged by E_n
_NOTHING = 1e-9  # least voltage or current that has a logarithm, as a share of Voc and Isc


@dataclass(frozen=True)
class Setting:
    """What the readings were taken of and in.

    Attributes
    ----------
    sheet : Datasheet or MeasuredPanel
        The panel, with sources of doubt.
    irradiance, u_irradiance : float
        Effective, facing the light, W/m2.
    temp_cell, u_temp_cell : float
        degC, K.
    stray : float
        Share of the light that does not turn with the panel.
    """

    sheet: Any
    irradiance: float
    u_irradiance: float
    temp_cell: float = 25.0
    u_temp_cell: float = 3.0
    stray: float = 0.0


@dataclass(frozen=True)
class Readings:
    """Readings to judge; each array of shape (N,).

    Attributes
    ----------
    load : ndarray
        ohm, as stated; infinite for open circuit, NaN for maximum power.
    angle : ndarray
        Of incidence, from facing the light, deg.
    voltage, current, power : ndarray or None
        V, A, W as written down. Power counts only where voltage and current are not both there.
    u : float
        Standard uncertainty of each, as a share.
    """

    load: Array
    angle: Array
    voltage: Array | None = None
    current: Array | None = None
    power: Array | None = None
    u: float = U_READING

    @property
    def observed(self) -> list[str]:
        """What is compared: voltage and current, or power."""
        told = [n for n in ("voltage", "current") if getattr(self, n) is not None]
        if len(told) < 2 and self.power is not None:
            told.append("power")
        return told


@dataclass(frozen=True)
class Scene:
    """A setting and readings, and what a change of either would make of the prediction."""

    setting: Setting
    readings: Readings

    def expect(
        self,
        *,
        light: float = 1.0,
        warmer: float = 0.0,
        angle: Array | None = None,
        load: Array | None = None,
        shaded: float | None = None,
        shifts: dict[str, float] | None = None,
    ) -> dict[str, Array]:
        """Return voltage, current and power of each reading, and Isc, Voc and Pmp there.

        Parameters
        ----------
        light : float
            Times the stated irradiance.
        warmer : float
            K above the stated temperature.
        angle, load : ndarray, optional
            Instead of the stated ones.
        shaded : float, optional
            Share of the light that one cell gets.
        shifts : dict, optional
            Of the panel's sources, in standard uncertainties.
        """
        setting, given = self.setting, self.readings
        angle = given.angle if angle is None else angle
        load = given.load if load is None else load
        share = beam_on_plane(np.clip(np.abs(angle), 0, 180), setting.sheet.iam, setting.stray)
        bright = np.maximum(setting.irradiance * light * share, 1e-6)
        panel, heat = setting.sheet.panel(shifts or {}), setting.temp_cell + warmer
        if shaded is not None and setting.sheet.cells:
            cells = np.repeat(bright[:, None], setting.sheet.cells, axis=1)
            cells[:, 0] *= shaded
            curve: Any = cells_under(panel, cells, heat, bypass_groups=setting.sheet.bypass_groups)
        else:
            curve = in_faint_light(panel, bright, heat)
        points = curve.key_points()
        top = np.isnan(load)
        at = curve.operating_point(np.where(top, 1.0, load))
        v = np.where(top, points.v_mp, at.voltage)
        i = np.where(top, points.i_mp, at.current)
        return {
            "voltage": v,
            "current": i,
            "power": v * i,
            "i_sc": np.asarray(points.i_sc),
            "v_oc": np.asarray(points.v_oc),
            "p_mp": np.asarray(points.p_mp),
        }


@dataclass(frozen=True)
class Judgement(Shown):
    """What the readings look like beside the prediction.

    Attributes
    ----------
    verdict : str
        ``plausible``, ``too high``, ``too low`` or ``cannot tell``.
    en : float
        E_n number (ISO 13528) of the reading that is furthest off, with its sign.
    scores : ndarray, shape (N,)
        E_n number of each reading's power, or of what was written down of it.
    measured, predicted, u_predicted : ndarray, shape (N,)
        Of that quantity.
    quantity : str
        ``power``, ``voltage`` or ``current``.
    chi_square, freedom : float
        Of all readings together.
    budget : dict of str to float
        Share of each cause in the variance of the prediction, largest first.
    slips : tuple of Explanation
        Likeliest first; empty where the readings are plausible.
    """

    verdict: str
    en: float
    scores: Array
    measured: Array
    predicted: Array
    u_predicted: Array
    quantity: str
    chi_square: float
    freedom: int
    budget: dict[str, float]
    slips: tuple["Explanation", ...]


@dataclass(frozen=True)
class Explanation:
    """A slip that would make the readings agree.

    Attributes
    ----------
    name, explains, check : str
        What it is, what it does to the readings, and how to tell it from the others.
    weight : float
        Its share of the belief among all slips, by how well it explains all readings and how
        common it is.
    agrees : bool
        Whether the readings are plausible with it.
    """

    name: str
    explains: str
    check: str
    weight: float
    agrees: bool


def judge(scene: Scene, slips: "tuple[Any, ...] | None" = None) -> Judgement:
    """Return whether the readings are plausible, and what would explain them if not.

    Raises
    ------
    SweepError
        No reading has a voltage, a current or a power.
    """
    from scipy.special import chdtri

    given = scene.readings
    names = given.observed
    if not names or not len(given.load):
        raise SweepError("no voltage, current or power to check")
    nominal = scene.expect()
    causes = _sensitivities(scene, nominal)
    base = _fit_of(scene, nominal, names, causes)
    quantity = "power" if len(names) != 1 else names[0]
    measured = getattr(given, quantity)
    if measured is None:
        measured = given.voltage * given.current
    predicted = nominal[quantity]
    spread = {name: moved[quantity] * predicted for name, moved in causes.items()}
    u_predicted = np.sqrt(sum(s**2 for s in spread.values()))
    factor = np.sqrt(2.0) if quantity == "power" and "power" not in names else 1.0
    u_measured = given.u * factor * np.abs(measured)
    scores = (measured - predicted) / (2.0 * np.hypot(u_measured, u_predicted))
    worst = int(np.argmax(np.abs(scores)))
    freedom = base.size
    several = len(given.load) > 1 or len(names) > 1
    limit = float(chdtri(freedom, 1 - _SURE))
    sound = base.chi_square <= limit if several else abs(scores[worst]) <= 1.0
    wide = 2.0 * np.median(u_predicted / np.maximum(np.abs(predicted), 1e-300)) > TOO_WIDE
    total = sum(float(np.sum((s / np.maximum(u_predicted, 1e-300)) ** 2)) for s in spread.values())
    shares = {
        name: float(np.sum((s / np.maximum(u_predicted, 1e-300)) ** 2)) / total
        for name, s in spread.items()
    }
    shares = dict(sorted(shares.items(), key=lambda item: -item[1]))
    if sound:
        word = "cannot tell" if wide else "plausible"
        explained: tuple[Explanation, ...] = ()
    else:
        word = "too high" if np.sum(scores) > 0 else "too low"
        from ivkit.verdict.slips import SLIPS

        explained = _explain(scene, names, causes, slips or SLIPS, limit)
    return Judgement(
        word,
        float(scores[worst]),
        scores,
        np.asarray(measured, dtype=float),
        predicted,
        u_predicted,
        quantity,
        base.chi_square,
        freedom,
        shares,
        explained,
    )


@dataclass(frozen=True)
class _Match:
    """How well a prediction fits all readings."""

    chi_square: float
    log_likelihood: float
    size: int


def _sensitivities(scene: Scene, nominal: dict[str, Array]) -> dict[str, dict[str, Array]]:
    """Return by cause what one standard uncertainty of it does to each quantity, as a share."""
    setting = scene.setting
    moved: dict[str, Callable[[], dict[str, Array]]] = {
        name: (lambda n=name: scene.expect(shifts={n: 1.0})) for name in setting.sheet.sources
    }
    if setting.u_irradiance > 0 and setting.irradiance > 0:
        step = 1.0 + setting.u_irradiance / setting.irradiance
        moved["irradiance"] = lambda: scene.expect(light=step)
    if setting.u_temp_cell > 0:
        moved["cell temperature"] = lambda: scene.expect(warmer=setting.u_temp_cell)
    out = {}
    for name, function in moved.items():
        found = function()
        out[name] = {
            key: _log(found[key]) - _log(nominal[key]) for key in ("voltage", "current", "power")
        }
    return out


def _log(values: Array) -> Array:
    return np.log(np.maximum(np.abs(values), 1e-12))


def _fit_of(
    scene: Scene, expected: dict[str, Array], names: list[str], causes: dict[str, dict[str, Array]]
) -> _Match:
    """Return how well expected readings match the ones written down.

    An open circuit has no current to compare, a short circuit no voltage: these are left out.
    """
    given = scene.readings
    ends = scene.expect()
    rows, columns = [], []
    for name in names:
        read = getattr(given, name)
        scale = {"voltage": ends["v_oc"], "current": ends["i_sc"]}.get(
            name, ends["v_oc"] * ends["i_sc"]
        )
        used = np.isfinite(read) & (np.abs(ends[name]) > 1e-3 * scale)
        # A sign that does not agree is no small difference: it counts as ten.
        apart = _log(read) - _log(expected[name])
        apart = np.where(np.sign(read) == np.sign(expected[name]), apart, 10.0)
        apart = np.where(np.abs(read) < _NOTHING * scale, 10.0, apart)
        rows.append(apart[used])
        columns.append([moved[name][used] for moved in causes.values()])
    difference = np.concatenate(rows)
    if not difference.size:
        return _Match(0.0, 0.0, 1)
    shared = np.array([np.concatenate(parts) for parts in zip(*columns, strict=True)])
    covariance = shared.T @ shared + given.u**2 * np.eye(difference.size)
    chi_square = float(difference @ np.linalg.solve(covariance, difference))
    _, log_volume = np.linalg.slogdet(covariance)
    return _Match(chi_square, -0.5 * (chi_square + float(log_volume)), difference.size)


def _explain(
    scene: Scene,
    names: list[str],
    causes: dict[str, dict[str, Array]],
    slips: tuple[Any, ...],
    limit: float,
) -> tuple[Explanation, ...]:
    """Return the slips that explain the readings, likeliest first."""
    found = []
    for slip in slips:
        best = None
        for expected in slip.apply(scene):
            match = _fit_of(scene, expected, names, causes)
            if best is None or match.log_likelihood > best.log_likelihood:
                best = match
        if best is not None:
            found.append((np.log(slip.prior) + best.log_likelihood, best, slip))
    found.sort(key=lambda item: -item[0])
    top = found[0][0]
    weights = np.array([np.exp(max(item[0] - top, -700.0)) for item in found])
    weights /= weights.sum()
    return tuple(
        Explanation(slip.name, slip.explains, slip.check, float(weight), match.chi_square <= limit)
        for weight, (_, match, slip) in zip(weights, found, strict=True)
        if weight > 1e-4 or match.chi_square <= limit
    )


def with_readings(scene: Scene, **changes: Any) -> Scene:
    """Return the same scene with other readings."""
    return replace(scene, readings=replace(scene.readings, **changes))
