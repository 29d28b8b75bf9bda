"""The usual slips: what each would make a careful person write down, and the check that tells.

Each is a function from the scene as stated to its cases, and an entry in a list: those of the light
in `ivkit.verdict.slips_light`, all others in `ivkit.verdict.slips_meters`. The priors say how
common a slip is against the others, and the sizes how large it usually is; both are common
practice, no source, but for the light of lamps, which `ivkit.light` computed (see there).
"""

from ivkit.verdict.cases import Slip
from ivkit.verdict.slips_light import OF_LIGHT
from ivkit.verdict.slips_meters import OF_METERS

SLIPS: tuple[Slip, ...] = OF_METERS + OF_LIGHT
