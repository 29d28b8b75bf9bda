"""Verdicts in three words, whatever a verdict is called where it is given."""

from ivkit.verdict.plausibility import judge
from ivkit.verdict.scene import Scene

PLAUSIBLE, ACCUSED, OPEN = "plausible", "accused", "undetermined"
_ACCUSES = ("too high", "too low", "inconsistent", "impossible")
_DENIES = ("is not", "does not conform")


def verdict(setting, readings):
    """Return what the readings of a sound bench are called, no gross error being sought."""
    word = judge(Scene(setting, readings), slips=()).verdict
    return ACCUSED if word in _ACCUSES else PLAUSIBLE if word == "plausible" else OPEN


def denies(word):
    """Return whether a verdict against a datasheet says that the panel is a lesser one."""
    return word in _DENIES
