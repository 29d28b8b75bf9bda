"""Where the priors of `ivkit.panel.technology` come from: ``python -m tests.benchmarks.priors``.

Of each technology the law's means and standard uncertainties are sought under which its measured
matrices (tests/data/module_matrices/README.md) are most likely, each module predicted from its own
row at 1000 W/m2 and 25 degC: empirical Bayes (Efron, Large-Scale Inference (2010), ch. 1, from
memory). Two modules of one kind count half each. With one to four modules the matrices alone would
make spreads of nothing, so the search is held, by a normal distribution about where it starts, to
what is known otherwise: n 1.15(8), Rsh Isc/Voc at 200 W/m2 of 10 to 30 for silicon.

Some minutes. What is printed beside the priors in use is the search's end: the priors in use are
rounded, and kept so narrow that silicon's u of Pmp is some 2 % at 400 W/m2 and 3.5 % at 200.
"""

from dataclasses import dataclass

import numpy as np

from ivkit.panel.datasheet import prior_law
from ivkit.panel.law import LAW, Statement, constrain, panel_by_law
from ivkit.panel.technology import TECHNOLOGY
from tests import laboratory

U_KNEE = 0.004  # of Vmp at its power, as for a datasheet
#: Standard uncertainty of a row against that at STC, as fractions: Vmp and Imp are read off a flat
#: top besides (the report's own u of Vmp is 0.35 %).
U_ROW = {"i_sc": 0.003, "v_oc": 0.0015, "i_mp": 0.004, "v_mp": 0.004, "p_mp": 0.003}
SHARES = {"mSi0166": 0.5, "mSi460A8": 0.5, "CIGS1-001": 0.5, "CIGS39013": 0.5}
KINDS = {"c-Si": "Si|HJT", "CdTe": "CdTe", "CIGS": "CIGS"}
FREE = (*LAW[2:5], *LAW[6:])  # nothing is measured of the shunt below 100 W/m2


@dataclass(frozen=True)
class Row:
    """One quantity of a law: mean and standard uncertainty in use, and how far each may go."""

    name: str
    mean: float
    u: float

    @property
    def widths(self) -> tuple[float, float]:
        """Standard deviations of the search: of the mean in u, of the logarithm of u."""
        return 0.5 * self.u, 0.4


def in_use(kind):
    """Return the rows of a technology's law as it stands; means of logarithms for the first two."""
    prior, u = prior_law(TECHNOLOGY[kind], 0.6, 1, (0.0, 0.0), (1.0, 1.0))
    return [Row(n, float(m), float(s)) for n, m, s in zip(LAW, prior, u, strict=True) if n in FREE]


def unlikely(kind, modules, means, us):
    """Return minus the logarithm of the likelihood of the matrices."""
    total, law = 0.0, TECHNOLOGY[kind].law
    for module in modules:
        stc, others = module.figures(), module.others()
        known = (module.alpha, module.beta), (law.u_alpha, law.u_beta * abs(module.beta))
        prior, u = prior_law(TECHNOLOGY[kind], stc["v_oc"], module.cells, *known)
        places = [LAW.index(name) for name in FREE]
        # The mean of a/Voc is for a cell of 0.6 V; this one has its own.
        prior[places], u[places] = means, us
        prior[2] += np.log(0.6 * module.cells / stc["v_oc"])
        three = stc["i_sc"], stc["v_oc"], stc["p_mp"]
        statements = [
            Statement("v_mp", stc["v_mp"], U_KNEE),
            Statement("gamma", module.gamma, law.u_gamma),
        ]
        found, factor = constrain(*three, prior, u, statements)
        laws = np.concatenate([found[None], found + factor, found - factor])
        panel = panel_by_law(*np.repeat(np.array(three)[:, None], len(laws), axis=1), laws)
        rows = panel.each(lambda x: x[:, None])
        points = rows.at(others.irradiance.to_numpy(float), others.temp_cell.to_numpy(float))
        points = points.key_points()
        apart, moves, noise = [], [], []
        for name, share in U_ROW.items():
            log = np.log(getattr(points, name))
            up, down = np.split(log[1:], 2)
            apart.append(log[0] - np.log(others[name].to_numpy(float)))
            moves.append(0.5 * (up - down))
            noise.append(np.full(len(others), share**2))
        d, m = np.concatenate(apart), np.concatenate(moves, axis=1)
        covariance = m.T @ m + np.diag(np.concatenate(noise))
        if not np.all(np.isfinite(covariance)) or not np.all(np.isfinite(d)):
            return np.inf
        cost = np.linalg.slogdet(covariance)[1] + d @ np.linalg.solve(covariance, d)
        total += 0.5 * SHARES.get(module.name, 1.0) * cost
    return total


def most_likely(kind, modules, most=400):
    """Return means and standard uncertainties of `FREE`, and the cost in use and at the end."""
    from scipy.optimize import minimize

    rows = in_use(kind)
    means, us = np.array([r.mean for r in rows]), np.array([r.u for r in rows])
    by_mean, by_u = (np.array(x) for x in zip(*(r.widths for r in rows), strict=True))

    def spread(x):
        a, b = np.split(x, 2)
        return means + a * by_mean, us * np.exp(b * by_u)

    def cost(x):
        return unlikely(kind, modules, *spread(x)) + 0.5 * x @ x

    start = np.zeros(2 * len(rows))
    options = {"maxfev": most, "xtol": 0.05, "ftol": 1e-3}
    found = minimize(cost, start, method="Powell", options=options)
    return rows, spread(found.x), float(cost(start)), float(found.fun)


def main():
    """Print, of each technology, the priors in use and those under which it is most likely."""
    import re

    for kind, pattern in KINDS.items():
        modules = [m for m in laboratory.single_junction() if re.search(pattern, m.name)]
        rows, (means, us), before, after = most_likely(kind, modules)
        print(
            f"{kind}: {', '.join(m.name for m in modules)}; cost {before:.1f} in use, {after:.1f}"
        )
        for row, mean, u in zip(rows, means, us, strict=True):
            print(
                f"  {row.name:18s} in use {row.mean:8.4f} +- {row.u:.4f}   {mean:8.4f} +- {u:.4f}"
            )


if __name__ == "__main__":
    main()
