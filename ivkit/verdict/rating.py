"""How many watts a resistor must be rated for where it stands.

The default rule, full power in air of up to 70 degC and none at 155 degC, is common for film
resistors (manufacturers' data sheets; common practice, no standard); wire-wound and housed parts
end elsewhere. IEC 60115-8:2023 refers the rating to the temperature of the terminals instead.
"""

import math
from dataclasses import dataclass

from ivkit.errors import RangeError

# The sizes that shops sell, W (common practice, no source).
USUAL_RATINGS = (0.125, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 25.0, 50.0, 100.0)


@dataclass(frozen=True)
class Derating:
    """Full rated power up to one temperature, linearly less to zero at another.

    ``full_to``, ``zero_at``: Temperature of the air around the part, degC; ``zero_at`` is the
    higher one.

    Raises RangeError: ``zero_at`` is not above ``full_to``.
    """

    full_to: float = 70.0
    zero_at: float = 155.0

    def __post_init__(self) -> None:
        if not self.full_to < self.zero_at:
            raise RangeError(
                f"derating from {self.full_to:g} to {self.zero_at:g} degC does not rise",
                remedy="the part must end at a higher temperature than it begins to be derated",
            )

    def share(self, ambient: float) -> float:
        """Return the part of the rated power that is allowed at ``ambient`` (degC), 0 to 1."""
        return min(1.0, max(0.0, (self.zero_at - ambient) / (self.zero_at - self.full_to)))


def rating_to_buy(dissipation: float, share: float = 1.0, margin: float = 2.0) -> float:
    """Return the smallest usual rating that carries a dissipation.

    Parameters
    ----------
    dissipation : Largest power that the part has to turn into heat, W, 0 or greater.
    share : Part of its rated power that the part may carry where it stands (`Derating.share`).
    margin : Rated power wanted for each watt that is allowed, 1 or greater. At 2, the default, the
        part runs at half its rating and stays cooler (common practice, no source).

    Returns float: W; NaN where no usual size is large enough.

    Raises RangeError: a margin below 1, or a share of 0: no part may carry anything there.
    """
    if not margin >= 1.0:
        raise RangeError(f"margin {margin:g} is below 1", remedy="a part may not be overloaded")
    if not share > 0.0:
        what = "the air is so hot there that the part may carry nothing"
        raise RangeError(what, remedy="give a lower ambient temperature or the part's own derating")
    needed = dissipation * margin / share
    return next((r for r in USUAL_RATINGS if r >= needed * (1 - 1e-12)), math.nan)
