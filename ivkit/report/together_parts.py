"""A panel fitted through several sweeps: the parts of an answer that are about it."""

from typing import TYPE_CHECKING, Any

from ivkit.answer import Column, Table
from ivkit.answer.lines import shown
from ivkit.report.key_points import PARAMETERS, key_points

if TYPE_CHECKING:
    from ivkit.panel.together import Together


_LAW_KEYS = {"alpha": "alpha_pct_per_K", "beta": "beta_pct_per_K"}


def together_parts(panel: "Together") -> dict[str, Any]:
    """Return headline, summary, tables and warnings: the common panel, the light of each sweep."""
    reference, seen = panel.panel, panel.agreement
    place = f"{reference.irradiance_ref:g} W/m2, {reference.temp_ref:g} degC"
    if panel.relative:
        place = f"the brightest sweep's light, {reference.temp_ref:g} degC"
    row = key_points(panel.key_points)
    row |= {k: panel.parameters[name] for k, name in PARAMETERS.items() if name in panel.parameters}
    said = (
        f"One panel through {len(panel.fits)} sweeps: at {place} it gives "
        f"{shown(row['pmp_W'], 'W')} at {shown(row['vmp_V'], 'V')}."
    )
    if not seen.one_panel:
        said += " But one panel does not fit these sweeps: see below."
    return {
        "headline": said,
        "summary": {
            **row,
            "irradiance_W_m2": None if panel.relative else reference.irradiance_ref,
            "temp_cell_degC": reference.temp_ref,
            "technology": panel.technology,
            "alpha_sc_A_per_K": reference.alpha_sc,
            **{f"law_{_LAW_KEYS.get(one, one)}": value for one, value in panel.law.items()},
            "scatter": panel.scatter,
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
            "odd_brighter_fraction": seen.odd_brighter,
        },
        "tables": {
            "reference": Table(
                f"at {place}",
                [Column(key, [value], missing="infinite") for key, value in row.items()],
                sideways=True,
            ),
            "together": Table(
                "",
                [
                    Column("sweep", [fit.sweep.name for fit in panel.fits]),
                    _stated("irradiance_W_m2", panel.irradiance, "irradiance, W/m2"),
                    _stated("temp_cell_degC", panel.temp_cell, "degC"),
                    Column("rmse_A", panel.rmse),
                    Column("rmse_alone_A", [fit.rmse for fit in panel.fits], heading="on its own"),
                ],
            ),
        },
        "warnings": panel.notes,
    }


def _stated(key: str, values: Any, heading: str) -> Column:
    """Return what the common panel made of a quantity, or that it was exact."""
    words = [shown(v) if v.std_dev > 0 else f"{v.nominal_value:g}, as stated" for v in values]
    return Column(key, values, heading=heading, show=words)
