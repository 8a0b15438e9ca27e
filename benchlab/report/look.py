"""The one visual language of the report: colours for light and dark, the common layout of all figures.

Colours differ in lightness as well as in hue, so that they stay apart for colour-blind eyes and in grey print; marks
differ in shape or dash as well (dot, ring, line, dashes), so that no meaning hangs on colour alone.
"""

from __future__ import annotations

from typing import Any

LIGHT = {
    "ink": "#1c2733",
    "paper": "#fefefe",
    "grid": "#dfe4e9",
    "faint": "#5f6c79",
    "data": "#77889a",
    "fit": "#0a4f8f",
    "band": "#bcd8f2",
    "second": "#b0520c",
    "limit": "#a3123e",
    "outlier": "#6a1f8f",
    "left_out": "#eceff2",
    "room": "#e3ebf3",
    "heat0": "#f7f4ec",
    "heat1": "#d9cfa4",
    "heat2": "#9fae86",
    "heat3": "#4d7f86",
    "heat4": "#1f4a78",
    "heat5": "#14203f",
}
"""Colour of each role on white paper. Every value is unique: the page swaps them for the dark ones by value."""

DARK = {
    "ink": "#e6ebf0",
    "paper": "#12181f",
    "grid": "#2c3742",
    "faint": "#9aa8b5",
    "data": "#8b9aab",
    "fit": "#6db7ff",
    "band": "#1d4468",
    "second": "#ffae66",
    "limit": "#ff8aa0",
    "outlier": "#d9a3ff",
    "left_out": "#1d252e",
    "room": "#22303f",
    "heat0": "#101823",
    "heat1": "#1d3a5f",
    "heat2": "#33697a",
    "heat3": "#7d9a80",
    "heat4": "#d3c795",
    "heat5": "#fbf5e3",
}
"""The same roles on a dark screen."""

HEAT = [[i / 5, LIGHT[f"heat{i}"]] for i in range(6)]
"""Colour scale of heat maps: lightness falls all the way, so that it reads in grey as well."""

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', 'DejaVu Sans', sans-serif"

CONFIG: dict[str, Any] = {
    "displaylogo": False,
    "showSendToCloud": False,
    "responsive": True,
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d", "zoomIn2d", "zoomOut2d"],
    "toImageButtonOptions": {"format": "svg"},
}
"""How plotly behaves: nothing leaves the page, no logo, pictures saved as SVG."""


def template() -> dict[str, Any]:
    """Return the layout template that all figures share; it stands once in the page."""
    axis = {
        "gridcolor": LIGHT["grid"],
        "linecolor": LIGHT["faint"],
        "zeroline": False,
        "showline": True,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": LIGHT["faint"],
        "title": {"standoff": 6, "font": {"size": 12}},
        "exponentformat": "power",
        "minexponent": 4,
    }
    return {
        "layout": {
            "font": {"family": FONT, "size": 12, "color": LIGHT["ink"]},
            "paper_bgcolor": LIGHT["paper"],
            "plot_bgcolor": LIGHT["paper"],
            "margin": {"l": 60, "r": 12, "t": 14, "b": 40},
            "xaxis": axis,
            "yaxis": axis,
            "hovermode": "closest",
            "hoverlabel": {"bgcolor": LIGHT["paper"], "font": {"color": LIGHT["ink"], "size": 12}},
            "legend": {"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom", "bgcolor": LIGHT["paper"]},
            "modebar": {"bgcolor": LIGHT["paper"], "color": LIGHT["faint"], "activecolor": LIGHT["fit"]},
            "colorway": [LIGHT["fit"], LIGHT["second"], LIGHT["data"], LIGHT["outlier"]],
            "showlegend": False,
        }
    }
