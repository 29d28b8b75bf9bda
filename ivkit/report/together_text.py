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
            shown(t, "") if t.std_dev > 0 else f"{t.nominal_value:g}, as stated",
            number(rmse, None, "A"),
            number(fit.rmse, None, "A"),
        ]
        for fit, s, t, rmse in zip(
            panel.fits, panel.irradiance, panel.temp_cell, panel.rmse, strict=True
        )
    ]
    if not panel.agreement.one_panel:
        answer += " But one panel does not fit these sweeps: see below."
    blocks = [
        wrap(answer),
        table(rows, (f"at {place}", "")),
        table(light, ("sweep", "irradiance, W/m2", "degC", "rms residual", "on its own")),
    ]
    if panel.notes:
        blocks.append("Mind:\n" + bullets(panel.notes))
    return "\n\n".join(blocks)


def together_document(panel: "Together") -> dict[str, Any]:
    """Return the common panel as JSON will hold it."""
    reference, seen = panel.panel, panel.agreement
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
        "technology": panel.technology,
        "alpha_sc_A_per_K": reference.alpha_sc,
        "law": dict(panel.law),
        "key_points": {key: getattr(panel.key_points, name) for _, name, key, _ in KEY_POINTS},
        "irradiance_W_m2": list(panel.irradiance),
        "rmse_A": list(panel.rmse),
        "temp_cell_degC": list(panel.temp_cell),
        "scatter": panel.scatter,
        "agreement": {
            "one_panel": seen.one_panel,
            "probability": seen.probability,
            "chi_square": seen.chi_square,
            "degrees_of_freedom": seen.freedom,
            "chi_square_single_fits": seen.chi_square_single,
            "degrees_of_freedom_single_fits": seen.freedom_single,
            "residuals_over_single_fits": seen.ratio,
            "odd_sweep": seen.odd,
            "rest_agrees": seen.rest_agrees if seen.odd else None,
            "odd_warmer_K": seen.odd_warmer,
            "odd_brighter": seen.odd_brighter,
        },
        "notes": list(panel.notes),
    }
