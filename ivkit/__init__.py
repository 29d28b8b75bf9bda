"""ivkit: what is this panel, which load suits it, and is the power I read plausible.

The public names are below; each is loaded when it is first used, so that ``import ivkit`` and
``ivkit --help`` start at once.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOME = {
    "Condition": "ivkit.readings.sweep",
    "Effect": "ivkit.readings.sweep",
    "Sweep": "ivkit.readings.sweep",
    "SingleDiode": "ivkit.curve.diode",
    "KeyPoints": "ivkit.curve.diode",
    "Fit": "ivkit.curve.fit",
    "Fits": "ivkit.curve.many",
    "fit": "ivkit.curve.fit",
    "fit_each": "ivkit.curve.fit",
    "fit_together": "ivkit.panel.together",
    "ReferencePanel": "ivkit.panel.conditions",
    "read_sweep": "ivkit.readings.read",
    "load_bench": "ivkit.bench",
    "Bench": "ivkit.bench",
    "fit_many": "ivkit.curve.many",
    "IvkitError": "ivkit.errors",
}

__all__ = ["__version__", *_HOME]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'ivkit' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
