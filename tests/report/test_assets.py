import hashlib
import itertools

import plotly.offline

from benchlab.report import assets, look


def test_the_bundle_is_of_the_version_that_plotly_itself_would_use():
    # figures are written by plotly for its own plotly.js; another one could read them otherwise
    assert plotly.offline.get_plotlyjs_version() == assets.PLOTLY_VERSION
    assert f"plotly.js (cartesian - minified) v{assets.PLOTLY_VERSION}" in assets.plotly_source()[:200]


def test_the_bundle_has_the_checksum_beside_it():
    sums = dict(reversed(line.split(maxsplit=1)) for line in assets.text("plotly-SHA256.txt").splitlines())
    assert sums[assets.BUNDLE] == hashlib.sha256(assets.bundle()).hexdigest()
    unpacked = next(v for k, v in sums.items() if "unpacked" in k)
    assert unpacked == hashlib.sha256(assets.plotly_source().encode()).hexdigest()


def test_the_licence_of_the_bundle_ships_with_it():
    assert "MIT" in assets.text("plotly-LICENSE.txt")


def test_the_policy_names_scripts_by_checksum_and_opens_nothing():
    policy = assets.content_policy("alert(1)")
    # sha256 of "alert(1)" in base64, computed with openssl dgst -sha256 -binary | base64
    assert "script-src 'sha256-bhHHL3z2vDgxUt0W3dWQOrprscmda2Y5pLsLg4GF+pI='" in policy
    assert "unsafe-inline" not in policy.split("style-src")[0]
    assert "default-src 'none'" in policy


def test_every_colour_has_a_dark_twin_and_none_stands_twice():
    assert look.LIGHT.keys() == look.DARK.keys()
    assert len(set(look.LIGHT.values())) == len(look.LIGHT)


def luminance(colour):
    """Relative luminance, WCAG 2.2 (formula from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a, b):
    hi, lo = sorted((luminance(a), luminance(b)), reverse=True)
    return (hi + 0.05) / (lo + 0.05)


def test_text_and_marks_stand_out_in_both_modes():
    for mode in (look.LIGHT, look.DARK):
        for role in ("ink", "faint", "limit", "second"):
            assert contrast(mode[role], mode["paper"]) >= 4.5, role  # WCAG 2.2, 1.4.3: text
        for role in ("data", "fit", "outlier"):
            assert contrast(mode[role], mode["paper"]) >= 3.0, role  # WCAG 2.2, 1.4.11: graphics


def test_the_heat_map_reads_in_grey():
    for mode, sign in ((look.LIGHT, -1), (look.DARK, 1)):
        steps = [luminance(mode[f"heat{i}"]) for i in range(6)]
        assert all(sign * (b - a) > 0 for a, b in itertools.pairwise(steps))
