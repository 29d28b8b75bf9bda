"""What happens to the experiment: light that moves, cells that warm, loads that are missing."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ivkit.errors import RangeError
from ivkit.readings.course import Course, Setting, either


def _back_and_forth(course: Course, rng: np.random.Generator) -> Course:
    """Return the loads in an order in which time and load do not go together."""
    n = len(course.loads)
    if rng.random() < 0.5:
        return course.reordered(rng.permutation(n))
    up = np.argsort(course.loads, kind="stable")
    return course.reordered(np.concatenate([up[::2], up[1::2][::-1]]))


def drift(course: Course, _: Setting, rng: np.random.Generator) -> Course:
    """Let the light drift by 5 to 20 % from the first reading to the last."""
    course = _back_and_forth(course, rng)
    passed = np.linspace(0.0, 1.0, len(course.loads))
    return replace(course, light=1.0 + either(rng, 0.05, 0.2) * passed)


def jump(course: Course, _: Setting, rng: np.random.Generator) -> Course:
    """Let the light jump by 7 to 30 % somewhere in the middle half of the sweep."""
    course = _back_and_forth(course, rng)
    n = len(course.loads)
    later = np.arange(n) >= rng.integers(n // 4, n - n // 4)
    return replace(course, light=np.where(later, 1.0 + either(rng, 0.07, 0.3), 1.0))


def warm(course: Course, _: Setting, rng: np.random.Generator) -> Course:
    """Let the cells warm up by 5 to 19 K, quickly first."""
    course = _back_and_forth(course, rng)
    passed = np.linspace(0.0, rng.uniform(1.0, 3.0), len(course.loads))
    return replace(course, warming=rng.uniform(8.0, 20.0) * (1.0 - np.exp(-passed)))


def without(low: float, high: float) -> Callable:
    """Return what leaves out the loads between two multiples of the best one."""

    def change(course: Course, setting: Setting, rng: np.random.Generator) -> Course:
        edges = np.array([low, high]) * setting.best_load * rng.uniform(0.9, 1.1)
        keep = (course.loads < edges[0]) | (course.loads > edges[1])
        return course.reordered(np.flatnonzero(keep))

    return change


def too_bright(course: Course, setting: Setting, rng: np.random.Generator) -> Course:
    """Give 1.1 to 1.5 times the light that the converter's range takes."""
    brighter = rng.uniform(1.1, 1.5) * setting.full_scale / setting.i_sc
    if not np.isfinite(brighter):
        raise RangeError("without a converter there is none that can be at its end", "--fault")
    return replace(course, light=course.light * max(brighter, 1.0))
