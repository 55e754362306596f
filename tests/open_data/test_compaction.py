"""Exponential fits to open measurements of deep-sea and older holes.

Reference numbers: unweighted fits published with the compilation of R. D. Berg (2020), which the
data folder's own notes give; the verdicts are those of the rules of ``compaction.fit``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.products import compaction

# Site: number of samples, surface porosity, its error, e-folding depth [m], its error.
DEEP_SEA = {
    "U1438": (796, 0.7659, 0.0057, 1103.2, 16.6),
    "U1337": (315, 0.9472, 0.0070, 873.2, 25.4),
}
OLDER = {"289": (292, 0.7058, 0.0058, 1717.2, 56.9), "549": (196, 0.6575, 0.0135, 787.5, 34.5)}


def _number(frame, column):
    return pd.to_numeric(frame[column], errors="coerce")


def _fit(depth, porosity):
    series = xr.DataArray(
        np.asarray(porosity, float), dims="reading",
        coords={"depth": ("reading", np.asarray(depth, float))}, attrs={"units": "1"},
    )  # fmt: skip
    # The published errors take the readings as independent; so does this fit of them.
    return compaction.fit(series, absolute_sigma=False, excess_scatter=False)


def _deep_sea(folder, site):
    frame = pd.read_csv(folder / "deep_sea_samples" / f"{site}.csv")
    porosity, grain = _number(frame, "Porosity (vol%)"), _number(frame, "Grain density (g/cm³)")
    bulk, depth = _number(frame, "Bulk density (g/cm³)"), _number(frame, "Depth CSF-A (m)")
    keep = (porosity > 0) & (porosity < 100) & grain.between(2.0, 3.3) & bulk.between(1.0, 3.3)
    keep &= depth.notna()
    return depth[keep], porosity[keep] / 100


def _older(folder, site):
    frame = pd.read_csv(folder / "legacy_samples" / "samples.csv", dtype={"site": str})
    frame = frame[frame["site"] == site]
    porosity, grain = _number(frame, "porosity"), _number(frame, "grain density (g/cc)")
    depth = _number(frame, "sample depth (m)")
    keep = porosity.between(1, 99) & grain.between(2.0, 3.3) & depth.notna()
    return depth[keep], porosity[keep] / 100


def _agrees(fit, expected):
    count, a, u_a, length, u_length = expected
    data = fit.dataset
    assert data.attrs["points_used"] == count
    assert float(data.surface_porosity) == pytest.approx(a, abs=u_a)
    assert float(data.decay_length) == pytest.approx(length, abs=u_length)
    # The errors themselves are printed to two digits or one decimal.
    assert float(data.surface_porosity_u_random) == pytest.approx(u_a, abs=6e-5)
    assert float(data.decay_length_u_random) == pytest.approx(u_length, abs=0.06)


@pytest.mark.parametrize("site", list(DEEP_SEA))
def test_sites_that_compact_exponentially(open_data, site):
    fit = _fit(*_deep_sea(open_data, site))
    _agrees(fit, DEEP_SEA[site])
    assert fit.verdict == ()


@pytest.mark.parametrize("site", ["U1334", "U1418", "U1431"])
def test_poor_sites_are_called_poor(open_data, site):
    assert any("predicts little" in t for t in _fit(*_deep_sea(open_data, site)).verdict)


@pytest.mark.parametrize("site", list(OLDER))
def test_older_sites(open_data, site):
    _agrees(_fit(*_older(open_data, site)), OLDER[site])


def test_an_unphysical_surface_porosity_is_named(open_data):
    fit = _fit(*_older(open_data, "462"))
    assert any("would be 1.51, which is not possible" in trouble for trouble in fit.verdict)


# Words that the verdict of every model of a poor site has to hold.
POOR = {
    "U1334": ("predicts little", "rate not known"),
    "U1418": ("predicts little",),
    "U1431": ("predicts little", "rate not known"),
    "462": ("predicts little",),
}


def _compare(open_data, site):
    """All models on one site; stress under its own porosity, grains of 2.7 in water of 1.024."""
    read = _deep_sea if site.startswith("U") else _older
    depth, porosity = (np.asarray(part, float) for part in read(open_data, site))
    order = np.argsort(depth, kind="stable")
    depth, porosity = depth[order], porosity[order]
    excess = (1.0 - porosity) * (2.70 - 1.024) * 9.81
    steps = np.diff(depth) * 0.5 * (excess[1:] + excess[:-1])
    stress = depth[0] * excess[0] + np.concatenate([[0.0], np.cumsum(steps)])
    coords = {"depth": ("reading", depth)}
    values = xr.DataArray(porosity, dims="reading", coords=coords, attrs={"units": "1"})
    load = xr.DataArray(stress, dims="reading", coords=coords, attrs={"units": "kPa"})
    return compaction.compare_models(values, stress=load, absolute_sigma=False)


@pytest.mark.slow
@pytest.mark.parametrize("site", [*DEEP_SEA, *OLDER, *POOR])
def test_all_models_on_all_sites(open_data, site):
    found = _compare(open_data, site)
    assert found.dataset.sizes["model"] == len(compaction.MODELS)
    assert all(fit.found.success for fit in found.fits.values())
    assert np.isfinite(found.dataset["cross_validation_error"]).all()
    words = found.dataset.attrs["verdict"]
    # Layers make neighbours alike on every one of these holes, and no order is left without that.
    assert "neighbours in depth scatter together" in words
    assert "AICc and cross-validation" in words
    exponential = "; ".join(found.fits["exponential"].verdict)
    for expected in POOR.get(site, ()):
        assert expected in exponential
    if site not in POOR:
        assert exponential == ""


def test_no_model_rescues_a_poor_site_in_silence(open_data):
    for site in ("U1418", "U1431"):
        found = _compare(open_data, site)
        first = found.dataset.attrs["first_by_aicc"]
        assert (
            f"{first.replace('_', ' ')} breaks rules itself: predicts little"
            in found.dataset.attrs["verdict"]
        )


def test_a_residual_porosity_is_not_read_into_a_straight_line(open_data):
    """Porosity of site 289 falls along a line: the offset ends on its bound and says so."""
    fit = _compare(open_data, "289").fits["offset_exponential"]
    assert any("the offset cannot be distinguished from zero" in words for words in fit.verdict)
    assert np.isnan(fit.found.errors["residual_porosity"])
