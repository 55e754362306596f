"""Check values that were worked from an equation, worked once more in 30 digits.

Each equation is written down here from its paper or definition, apart from the package: a row whose
number does not follow from its source fails. Sources stand in the rows.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from mpmath import cbrt, cos, exp, findroot, lu_solve, matrix, mp, mpf, pi, sin, sqrt
from mpmath import log10 as lg

from tests.project.test_reference_rows import VALUES

mp.dps = 30
ROWS = {row["id"]: row for row in VALUES}


def m(number: Any) -> Any:
    """A decimal number as it is written."""
    return mpf(str(number).split()[0])


# Rock physics ------------------------------------------------------------------------------------


def moduli(x: dict[str, Any]) -> dict[str, Any]:
    """Isotropic moduli [GPa] from velocities [m/s] and density [kg/m^3]: definitions."""
    p, s, rho = (m(value) for value in x.values())
    g, big = rho * s**2 / 10**9, rho * p**2 / 10**9
    k = big - 4 * g / 3
    return {
        "shear_modulus": g, "p_wave_modulus": big, "bulk_modulus": k,
        "lame_parameter": k - 2 * g / 3, "young_modulus": 9 * k * g / (3 * k + g),
        "poisson_ratio": (3 * k - 2 * g) / (6 * k + 2 * g),
    }  # fmt: skip


def velocities(x: dict[str, Any]) -> dict[str, Any]:
    k, g, rho = (m(value) for value in x.values())
    return {
        "p_wave_velocity": sqrt((k + 4 * g / 3) * 10**9 / rho),
        "s_wave_velocity": sqrt(g * 10**9 / rho),
    }


def phases(x: dict[str, Any]) -> tuple[list[Any], list[Any], list[Any]]:
    return [m(v) for v in x["f"]], [m(v) for v in x["K"]], [m(v) for v in x["G"]]


def mean(f: list[Any], values: list[Any]) -> Any:
    return sum(a * b for a, b in zip(f, values, strict=True))


def harmonic(f: list[Any], values: list[Any]) -> Any:
    return 1 / sum(a / b for a, b in zip(f, values, strict=True))


def voigt(x: dict[str, Any]) -> dict[str, Any]:
    f, k, g = phases(x)
    return {"bulk_modulus": mean(f, k), "shear_modulus": mean(f, g)}


def reuss(x: dict[str, Any]) -> dict[str, Any]:
    f, k, g = phases(x)
    return {"bulk_modulus": harmonic(f, k), "shear_modulus": harmonic(f, g)}


def hill(x: dict[str, Any]) -> dict[str, Any]:
    high, low = voigt(x), reuss(x)
    return {name: (high[name] + low[name]) / 2 for name in high}


def bound(x: dict[str, Any]) -> dict[str, Any]:
    """Hashin and Shtrikman (1963) in the form of Walpole (1966)."""
    f, k, g = phases(x)
    pick = max if x["bound"] == "upper" else min
    k0, g0 = pick(k), pick(g)
    z = g0 / 6 * (9 * k0 + 8 * g0) / (k0 + 2 * g0)
    return {
        "bulk_modulus": harmonic(f, [v + 4 * g0 / 3 for v in k]) - 4 * g0 / 3,
        "shear_modulus": harmonic(f, [v + z for v in g]) - z,
    }


def suspension(phi: Any, mineral: Any, fluid: Any) -> Any:
    """Velocity [m/s] of grains that float: one stress, mean density (Wood 1941)."""
    f = [m(phi), 1 - m(phi)]
    k = harmonic(f, [m(fluid[0]), m(mineral[0])])
    return 1000 * sqrt(k / mean(f, [m(fluid[2]), m(mineral[2])]))


def stiffest(phi: Any, mineral: Any, fluid: Any) -> Any:
    f = {"f": [1 - m(phi), phi], "K": [mineral[0], fluid[0]], "G": [mineral[1], fluid[1]]}
    found = bound({**f, "bound": "upper"})
    rho = mean([m(phi), 1 - m(phi)], [m(fluid[2]), m(mineral[2])])
    return 1000 * sqrt((found["bulk_modulus"] + 4 * found["shear_modulus"] / 3) / rho)


def gassmann(dry: Any, grain: Any, fluid: Any, phi: Any) -> Any:
    dry, grain, fluid, phi = m(dry), m(grain), m(fluid), m(phi)
    return dry + (1 - dry / grain) ** 2 / (phi / fluid + (1 - phi) / grain - dry / grain**2)


def frame(saturated: Any, grain: Any, fluid: Any, phi: Any) -> Any:
    return findroot(lambda k: gassmann(k, grain, fluid, phi) - m(saturated), m(saturated) / 2)


def gardner(x: dict[str, Any]) -> Any:
    if "feet" in x:
        return mpf("0.23") * m(x["feet"]) ** mpf("0.25")
    return mpf("0.31") * m(x["v"]) ** mpf("0.25")


def han(x: dict[str, Any]) -> Any:
    by_clay = m(x.get("by_clay", 2180))
    return 5590 - 6930 * m(x["phi"]) - by_clay * m(x["C"])


def krief(phi: Any, modulus: Any) -> Any:
    solid = 1 - m(phi)
    return m(modulus) * solid ** (3 / solid)


def pack(x: dict[str, Any]) -> tuple[Any, Any]:
    """Dry pack of spheres: Hertz (1882), Mindlin (1949)."""
    k, g = m(x["mineral"][0]), m(x["mineral"][1])
    nu = (3 * k - 2 * g) / (2 * (3 * k + g))
    phi, c, p = m(x["critical"]), m(x["contacts"]), m(x["pressure"]) / 1000
    a = c**2 * (1 - phi) ** 2 * g**2 * p / (pi**2 * (1 - nu) ** 2)
    rough = m(x.get("adhesion", 1))
    shear = (2 - nu + 3 * rough * (1 - nu)) / (5 * (2 - nu)) * cbrt(3 * a / 2)
    return cbrt(a / 18), shear


def packed(x: dict[str, Any]) -> dict[str, Any]:
    k, g = pack(x)
    return {"frame_bulk_modulus": k, "frame_shear_modulus": g}


def between(x: dict[str, Any], *, stiff: bool) -> dict[str, Any]:
    """Dvorkin and Nur (1996): a bound between the pack and the mineral."""
    ends, solid = pack(x), (m(x["mineral"][0]), m(x["mineral"][1]))
    k, g = solid if stiff else ends
    share = [m(x["phi"]) / m(x["critical"]), 1 - m(x["phi"]) / m(x["critical"])]
    z = g / 6 * (9 * k + 8 * g) / (k + 2 * g)
    return {
        "frame_bulk_modulus": harmonic(share, [v + 4 * g / 3 for v in (ends[0], solid[0])])
        - 4 * g / 3,
        "frame_shear_modulus": harmonic(share, [v + z for v in (ends[1], solid[1])]) - z,
    }


def cement(x: dict[str, Any]) -> dict[str, Any]:
    """Dvorkin and Nur (1996), their statistical fits to the cemented contact."""
    k, g, kc, gc = (m(v) for v in (*x["mineral"][:2], *x["cement"][:2]))
    nu, nc = ((3 * a - 2 * b) / (2 * (3 * a + b)) for a, b in ((k, g), (kc, gc)))
    phi, start, c = m(x["phi"]), m(x["critical"]), m(x["contacts"])
    filled = (start - phi) / (1 - start)
    at_contacts = x["where"] == "contacts"
    alpha = 2 * (filled / (3 * c)) ** (mpf(1) / 4) if at_contacts else sqrt(2 * filled / 3)
    n = 2 * gc * (1 - nu) * (1 - nc) / (pi * g * (1 - 2 * nc))
    sn = (
        mpf("-0.024153") * n ** mpf("-1.3646") * alpha**2
        + mpf("0.20405") * n ** mpf("-0.89008") * alpha
        + mpf("0.00024649") * n ** mpf("-1.9864")
    )
    t = gc / (pi * g)
    at = (
        -mpf("0.01")
        * (mpf("2.26") * nu**2 + mpf("2.07") * nu + mpf("2.3"))
        * t ** (mpf("0.079") * nu**2 + mpf("0.1754") * nu - mpf("1.342"))
    )
    bt = (mpf("0.0573") * nu**2 + mpf("0.0937") * nu + mpf("0.202")) * t ** (
        mpf("0.0274") * nu**2 + mpf("0.0529") * nu - mpf("0.8765")
    )
    ct = (
        mpf("0.0001")
        * (mpf("9.654") * nu**2 + mpf("4.945") * nu + mpf("3.1"))
        * t ** (mpf("0.01867") * nu**2 + mpf("0.4011") * nu - mpf("1.8186"))
    )
    bulk = c * (1 - start) * (kc + 4 * gc / 3) * sn / 6
    shear = 3 * bulk / 5 + 3 * c * (1 - start) * gc * (at * alpha**2 + bt * alpha + ct) / 20
    return {"frame_bulk_modulus": bulk, "frame_shear_modulus": shear}


def brine(x: dict[str, Any]) -> dict[str, Any]:
    """Batzle and Wang (1992), equations 27 to 29 and table 1."""
    t, p, s = m(x["temperature"]), m(x["pressure"]), m(x["salinity"]) / 1000
    water = 1 + mpf("1e-6") * (
        -80 * t - mpf("3.3") * t**2 + mpf("0.00175") * t**3 + 489 * p - 2 * t * p
        + mpf("0.016") * t**2 * p - mpf("1.3e-5") * t**3 * p - mpf("0.333") * p**2
        - mpf("0.002") * t * p**2
    )  # fmt: skip
    rho = water + s * (mpf("0.668") + mpf("0.44") * s + mpf("1e-6") * (
        300 * p - 2400 * p * s + t * (80 + 3 * t - 3300 * s - 13 * p + 47 * p * s)))  # fmt: skip
    table = (
        ("1402.85", "1.524", "3.437e-3", "-1.197e-5"),
        ("4.871", "-0.0111", "1.739e-4", "-1.628e-6"),
        ("-0.04783", "2.747e-4", "-2.135e-6", "1.237e-8"),
        ("1.487e-4", "-6.503e-7", "-1.455e-8", "1.327e-10"),
        ("-2.197e-7", "7.987e-10", "5.230e-11", "-4.614e-13"),
    )
    v = sum(mpf(c) * t**i * p**j for i, row in enumerate(table) for j, c in enumerate(row))
    v += s * (1170 - mpf("9.6") * t + mpf("0.055") * t**2 - mpf("8.5e-5") * t**3
              + mpf("2.6") * p - mpf("0.0029") * t * p - mpf("0.0476") * p**2)  # fmt: skip
    v += s * sqrt(s) * (780 - 10 * p + mpf("0.16") * p**2) - 820 * s**2
    return {"fluid_density": rho, "fluid_velocity": v}


def reflection(x: dict[str, Any]) -> Any:
    """P-wave reflected from a plane: displacement and traction are continuous (Zoeppritz 1919)."""
    angle = m(x["angle"]) * pi / 180
    (a1, b1, r1), (a2, b2, r2) = ([m(v) for v in x[side]] for side in ("upper", "lower"))
    p = sin(angle) / a1
    cp1, cs1, cp2, cs2 = (sqrt(1 - (p * v) ** 2) for v in (a1, b1, a2, b2))
    sp1, ss1, sp2, ss2 = (p * v for v in (a1, b1, a2, b2))
    # Unknowns: reflected P and S, transmitted P and S; unit incident P, down positive.
    rows = matrix([
        [-sp1, -cs1, sp2, cs2],
        [cp1, -ss1, cp2, -ss2],
        [2 * r1 * b1**2 * p * cp1, r1 * b1 * (1 - 2 * ss1**2),
         2 * r2 * b2**2 * p * cp2, r2 * b2 * (1 - 2 * ss2**2)],
        [-r1 * a1 * (1 - 2 * ss1**2), 2 * r1 * b1**2 * p * cs1,
         r2 * a2 * (1 - 2 * ss2**2), -2 * r2 * b2**2 * p * cs2],
    ])  # fmt: skip
    given = matrix([sp1, cp1, 2 * r1 * b1**2 * p * cp1, r1 * a1 * (1 - 2 * ss1**2)])
    assert cos(angle) == cp1
    return lu_solve(rows, given)[0]


def shear(x: dict[str, Any]) -> dict[str, Any]:
    """Forwards: the frame of Krief et al. (1990), filled by Gassmann (1951), gives the P-wave."""
    phi, rho = x["phi"], m(x["rho"])
    k, g = (krief(phi, x["mineral"][i]) for i in (0, 1))
    full = gassmann(k, x["mineral"][0], x["fluid"][0], phi)
    assert abs(1000 * sqrt((full + 4 * g / 3) / rho) - m(x["v"])) < mpf("1e-9")
    return {"s_wave_velocity": 1000 * sqrt(g / rho), "frame_bulk_modulus": k}


# Seismics ----------------------------------------------------------------------------------------


def ricker(x: dict[str, Any]) -> Any:
    a = (pi * m(x["frequency"]) * m(x["time"])) ** 2
    return (1 - 2 * a) * exp(-a)


def layered(x: dict[str, Any]) -> dict[str, Any]:
    """Thin layers as one medium (Backus 1962), parameters of Thomsen (1986)."""
    h = [m(v) for v in x["thickness_m"]]
    f = [v / sum(h) for v in h]
    rho = [m(v) for v in x["density"]]
    mu = [r * m(v) ** 2 / 10**6 for r, v in zip(rho, x["vs"], strict=True)]
    big = [r * m(v) ** 2 / 10**6 for r, v in zip(rho, x["vp"], strict=True)]
    ratio = [(b - 2 * s) / b for b, s in zip(big, mu, strict=True)]
    c = harmonic(f, big)
    a = (
        mean(f, [4 * s * (b - s) / b for s, b in zip(mu, big, strict=True)])
        + c * mean(f, ratio) ** 2
    )
    low, high, across = harmonic(f, mu), mean(f, mu), c * mean(f, ratio)
    whole = mean(f, rho)
    return {
        "stiffness_a": a, "stiffness_f": across, "p_wave_velocity": 1000 * sqrt(c / whole),
        "s_wave_velocity": 1000 * sqrt(low / whole), "epsilon": (a - c) / (2 * c),
        "delta": ((across + low) ** 2 - (c - low) ** 2) / (2 * c * (c - low)),
        "gamma": (high - low) / (2 * low),
    }  # fmt: skip


# Samples and products ----------------------------------------------------------------------------


def solids(x: dict[str, Any]) -> Any:
    return 10 * m(x["dry_mass"]) / (m(x["grain_density"]) * pi * (m(x["diameter"]) / 10) ** 2 / 4)


def ratios(x: dict[str, Any]) -> list[Any]:
    if "void_ratio" in x:
        return [m(v) for v in x["void_ratio"]]
    return [m(v) / m(x["height_of_solids"]) - 1 for v in x["height_mm"]]


def curve(x: dict[str, Any]) -> dict[str, Any]:
    first = m(x["initial_height"]) / m(x["height_of_solids"]) - 1
    return {"initial": first, "last": ratios(x)[-1]}


def steepest(x: dict[str, Any]) -> Any:
    """Greatest slope of a line of least squares through neighbouring points of log stress."""
    n, e = x.get("points", 3), ratios(x)
    stress = [lg(m(v)) for v in x["stress_kpa"]]
    found = []
    for i in range(len(e) - n + 1):
        u, v = stress[i : i + n], e[i : i + n]
        middle = sum(u) / n
        found.append(-sum((a - middle) * b for a, b in zip(u, v, strict=True))
                     / sum((a - middle) ** 2 for a in u))  # fmt: skip
    return max(found)


def layers(x: dict[str, Any]) -> tuple[list[Any], list[Any]]:
    h, k = ([m(v) for v in x[name]] for name in ("thickness", "conductivity"))
    steps = [mpf(0)]
    for thick, one in zip(h, k, strict=True):
        steps.append(steps[-1] + thick / one)
    return h, steps


def bullard(x: dict[str, Any]) -> dict[str, Any]:
    """Line of least squares of temperature against summed thermal resistance."""
    r, warm = layers(x)[1], [m(v) for v in x["temperature"]]
    n = len(r)
    middle = sum(r) / n
    slope = sum((a - middle) * b for a, b in zip(r, warm, strict=True)) / sum(
        (a - middle) ** 2 for a in r
    )
    return {"heat_flow": 1000 * slope, "surface_temperature": sum(warm) / n - slope * middle}


def vane(x: dict[str, Any]) -> Any:
    d, h = m(x["diameter"]) / 1000, m(x["height"]) / 1000
    return pi * d**2 * h / 2 + pi * d**3 / 6  # mantle, and two end faces of constant stress


def susceptibility_factor(diameter: Any, loop: Any) -> Any:
    return mpf("3.45") * (m(diameter) / (m(loop) + 8)) ** 3


WORKED: dict[str, Callable[[dict[str, Any]], Any]] = {
    "elastic-moduli": moduli, "elastic-velocity": velocities, "sample-moduli": moduli,
    "elastic-voigt": voigt, "elastic-reuss": reuss, "elastic-hill": hill, "elastic-bound": bound,
    "elastic-wood": lambda x: suspension(x["phi"], x["mineral"], x["fluid"]),
    "elastic-models-01": lambda x: suspension(x["phi"], x["mineral"], x["fluid"]),
    "elastic-models-02": lambda x: stiffest(x["phi"], x["mineral"], x["fluid"]),
    "elastic-check-01": lambda x: stiffest(x["phi"], x["mineral"], x["fluid"]),
    "elastic-check-02": lambda x: suspension(x["phi"], x["mineral"], x["fluid"]),
    "elastic-inverse": lambda x: findroot(
        lambda phi: suspension(phi, x["mineral"], x["fluid"]) - m(x["v"]), mpf("0.35")),
    "mixing-suspension": lambda x: suspension(
        x["porosity"], [x["grain_modulus"], 0, m(x["grain_density"]) / 1000],
        [x["fluid_modulus"], 0, m(x["fluid_density"]) / 1000]),
    "elastic-gassmann": lambda x: gassmann(x["dry"], x["Km"], x["Kf"], x["phi"]),
    "elastic-frame": lambda x: frame(x["sat"], x["Km"], x["Kf"], x["phi"]),
    "elastic-exchange": lambda x: gassmann(
        frame(x["sat"], x["Km"], x["Kf"], x["phi"]), x["Km"], x["new_Kf"], x["phi"]),
    "elastic-gardner": gardner, "elastic-han": han,
    "elastic-castagna": lambda x: (m(x["v"]) - 1360) / mpf("1.16"),
    "elastic-krief": lambda x: krief(x["phi"], x["mineral"][0]),
    "elastic-critical-01": lambda x: m(x["mineral"][0]) * (1 - m(x["phi"]) / m(x["critical"])),
    "elastic-critical-02": lambda x: m(x["mineral"][1]) * (1 - m(x["phi"]) / m(x["critical"])),
    "elastic-pack": packed, "elastic-cement": cement, "elastic-brine": brine,
    "elastic-soft": lambda x: between(x, stiff=False),
    "elastic-stiff": lambda x: between(x, stiff=True),
    "elastic-fluids-01": lambda x: harmonic([m(v) for v in x["f"]], [m(v) for v in x["K"]]),
    "elastic-reflection": reflection, "elastic-shear": shear,
    "seismic-ricker-01": ricker, "seismic-ricker-02": ricker, "seismic-ricker-03": ricker,
    "seismic-layered-medium-0": layered,
    "consolidation-solids-height": solids, "consolidation-curve-0": curve,
    "consolidation-indices-01": steepest, "consolidation-indices-02": steepest,
    "heat-flow-interval-mean": lambda x: harmonic(
        [v / sum(layers(x)[0]) for v in layers(x)[0]], [m(v) for v in x["conductivity"]]),
    "heat-flow-bullard-layers": bullard,
    "strength-vane-01": vane, "strength-vane-02": vane, "strength-vane-03": vane,
    "strength-vane-04": vane, "strength-vane-05": vane,
    "strength-vane-07": lambda x: m(x["torque"]) / vane(x) / 1000,
    "susceptibility-volume_factor-": lambda x: 1 / susceptibility_factor(
        x["core_diameter"], x["loop_diameter"]),
    "compaction-reference-depth-01": lambda x: (
        1000 / mpf("0.27") * mp.log(mpf("0.49") / m(x["porosity"]))),
}  # fmt: skip

CASES = [(row, work) for row in VALUES for key, work in WORKED.items() if row["id"].startswith(key)]


def worked(row: dict[str, str], work: Callable[[dict[str, Any]], Any]) -> Any:
    found = work(json.loads(row["inputs"]))
    return found[row["result"]] if isinstance(found, dict) else found


@pytest.mark.parametrize(
    ("row", "work"), CASES, ids=lambda part: part["id"] if isinstance(part, dict) else ""
)
def test_a_worked_row_follows_from_its_equation(row: dict[str, str], work: Any) -> None:
    assert row["status"] in ("definition", "memory", "published")
    assert abs(worked(row, work) - mpf(row["expected"])) <= mpf(row["tolerance"])


def test_every_key_works_a_row() -> None:
    assert len(CASES) > 90
    assert {id(work) for _, work in CASES} == {id(work) for work in WORKED.values()}


def test_a_wrong_number_is_found() -> None:
    row = dict(ROWS["elastic-gassmann-01"])
    row["expected"] = "14.0459541"
    with pytest.raises(AssertionError):
        test_a_worked_row_follows_from_its_equation(row, WORKED["elastic-gassmann"])
