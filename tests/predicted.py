"""Key points of a panel in a condition, as `ivkit.predict` has them."""

from ivkit.predict.facing import Facing
from ivkit.predict.scene import Mount, Scene, Warmth
from ivkit.verdict.translate import predicted_points


def points_at(panel, irradiance=1000.0, celsius=25.0, u_irradiance=0.0, u_celsius=0.0):
    """Return them facing the light, W/m2 and degC."""
    light, warm = Facing.of(irradiance, u_irradiance), Warmth(celsius, u_celsius)
    return predicted_points(Scene(panel, light, warm, Mount(0.0, 0.0, 0.0)))
