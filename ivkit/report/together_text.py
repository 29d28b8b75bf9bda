"""A panel fitted through several sweeps, in words and as a document for JSON."""

from typing import TYPE_CHECKING, Any

from ivkit.report.sweep_text import KEY_POINTS, PARAMETERS, shown
from ivkit.report.text import bullets, number, table, wrap

if TYPE_CHECKING:
    from ivkit.panel.together import Together


def describe_together(panel: "Together") -> str:
    """Return the common panel as text: answer, parameters, and the light of each sweep."""
    reference = panel.panel
    place = f"{reference.irradiance_ref:g} W/m2, {reference.temp_ref:g} degC"
    if panel.relative:
        place = f"the brightest sweep's light, {reference.temp_ref:g} degC"
    points = panel.key_points
    answer = (
        f"One panel through {len(panel.fits)} sweeps: at {place} it gives "
        f"{shown(points.p_mp, 'W')} at {shown(points.v_mp, 'V')}."
    )
    rows = [
        [label, shown(getattr(points, attribute), unit)] for label, attribute, _, unit in KEY_POINTS
    ]
    rows += [
        [label, shown(panel.parameters[name], unit) if panel.parameters[name] else "infinite"]
        for label, name, _, unit in PARAMETERS
        if name in panel.parameters
    ]
    light = [
        [
            fit.sweep.name,
            shown(s, "") if s.std_dev > 0 else f"{s.nominal_value:g}, as stated",
            f"{fit.sweep.condition.temp_cell:g}",
            number(rmse, None, "A"),
        ]
        for fit, s, rmse in zip(panel.fits, panel.irradiance, panel.rmse, strict=True)
    ]
    blocks = [
        wrap(answer),
        table(rows, (f"at {place}", "")),
        table(light, ("sweep", "irradiance, W/m2", "degC", "rms residual")),
    ]
    if panel.notes:
        blocks.append("Mind:\n" + bullets(panel.notes))
    return "\n\n".join(blocks)


def together_document(panel: "Together") -> dict[str, Any]:
    """Return the common panel as JSON will hold it."""
    reference = panel.panel
    return {
        "reference": {
            "irradiance_W_m2": None if panel.relative else reference.irradiance_ref,
            "temp_cell_degC": reference.temp_ref,
        },
        "single_diode": {
            key: panel.parameters[name]
            for _, name, key, _ in PARAMETERS
            if name in panel.parameters
        },
        "alpha_sc_A_per_K": reference.alpha_sc,
        "key_points": {key: getattr(panel.key_points, name) for _, name, key, _ in KEY_POINTS},
        "irradiance_W_m2": list(panel.irradiance),
        "rmse_A": list(panel.rmse),
        "scatter": panel.scatter,
        "notes": list(panel.notes),
    }
