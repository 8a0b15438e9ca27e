"""The whole report of one airframe as one self-contained HTML page."""

from __future__ import annotations

import dataclasses
import functools
import itertools
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd
from markupsafe import Markup

from benchlab.logs.table import ReadLog
from benchlab.matching.groups import Matching
from benchlab.procedure import Procedures
from benchlab.quantities import QUANTITIES, unit_of
from benchlab.report import advice, assets, look, text
from benchlab.report.figures import Figure
from benchlab.report.figures.compare import dimension_figure, group_figure, matrix_figure, sister_figures
from benchlab.report.figures.pack import pack_figures
from benchlab.report.figures.power import power_figures
from benchlab.report.figures.servo import servo_figures
from benchlab.report.figures.tank import tank_figures
from benchlab.report.procedures import procedure_tables
from benchlab.results import AirframeResult, Analysis, BudgetLine, Estimate, LogResult, PartResult, Trend

if TYPE_CHECKING:
    from jinja2 import Environment

_FIGURES = {"servo": servo_figures, "tank": tank_figures, "pack": pack_figures, "circuit": power_figures}
_MAIN_FIGURES = 6
"""So many of a servo's small figures are open at once; the rest waits behind "more quantities"."""
_BUDGET = ("circuit", "phase", "minutes", "share", "mean_current_a", "charge_mah")
_CROSS_CHECK = ("servo", "mean_current_a", "idle_current_a", "moving_current_a", "cycles")
REJECTED_SHOWN = 40
"""Rejected rows listed per log; all of them stand in rejected_rows.csv."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A figure with its place in the page."""

    id: str
    figure: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class PartView:
    """A part as its section shows it."""

    part: PartResult
    anchor: str
    small: tuple[Plot, ...]
    more: tuple[Plot, ...]
    others: tuple[Plot, ...]
    trends: Mapping[str, Trend]
    estimates: Mapping[str, Estimate]
    budgets: Mapping[str, list[BudgetLine]]
    budget: tuple[dict[str, Any], ...] = ()
    """A pack's charge by circuit and phase."""
    cross_check: tuple[dict[str, Any], ...] = ()
    """A pack's servos as they drew current on their own bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondBest:
    """The placement to fall back on: part by position, and by rank (0 fitted, 1 best, 2 second best) its mismatch."""

    parts: Mapping[str, str | None]
    worst: Mapping[int, float | None]
    total: Mapping[int, float | None]


def render(
    result: AirframeResult,
    analyses: Mapping[str, Analysis],
    matching: Matching | None,
    reads: Mapping[str, ReadLog | LogResult],
    procedures: Procedures,
) -> str:
    """Return the report as HTML: the same input gives the same bytes, and the page asks for nothing outside itself."""
    number = itertools.count(1)
    anchors = anchors_for(result.parts)
    sections = [_part_view(p, anchors[p.id], analyses.get(p.id), number) for p in result.parts if p.kind != "dimension"]
    dimensions = [p for p in result.parts if p.kind == "dimension"]
    tables = matching.tables if matching is not None else {}
    groups = [
        (g, f"group-{i}", _plots([group_figure(g, tables.get("pair_differences"))], number))
        for i, g in enumerate(result.groups, 1)
    ]
    matrices = [matrix_figure(tables.get(name), coupling) for name, coupling in _matrices(result, tables)]
    script = assets.text("report.js")
    html = environment().get_template("page.html.j2").render(
        result=result, trims=_trims(result, tables), second=_second(tables.get("placements")),
        earlier=_records(tables.get("earlier")), matrix_plots=_plots(matrices, number),
        sections=sections, dimensions=dimensions, groups=groups, anchors=anchors,
        group_anchors={g.name: a for g, a, _ in groups},
        actions=advice.actions(result), by_verdict=_by_verdict(result),
        sisters=_plots(sister_figures(result.parts), number),
        dimension_plots=_plots([dimension_figure(dimensions)], number),
        reads=reads, rejected_shown=REJECTED_SHOWN, procedures=procedure_tables(procedures),
        glossary=[q for q in QUANTITIES.values() if q.kind in {p.kind for p in result.parts}],
        style=Markup(assets.style()), script=Markup(script), settings=_settings(),
        bundle=Markup(assets.bundle_base64()), policy=_policy(script),
        plotly_version=assets.PLOTLY_VERSION,
    )  # fmt: skip
    return html + "\n"


def prepare() -> None:
    """Compile the templates and sum up the scripts, which takes 0.1 s; ``render`` does it else.

    For whoever waits for results: no result changes them.
    """
    env = environment()
    for name in env.list_templates():
        env.get_template(name)
    _policy(assets.text("report.js"))


@functools.cache
def environment() -> Environment:
    """Return the template environment: everything is escaped, a name that is missing is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # not loaded before there is something to report

    env = Environment(
        loader=PackageLoader("benchlab.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=False, finalize=_unbroken,
        optimized=False,  # of templates that are used once: folding constants costs more than it saves
    )  # fmt: skip
    env.filters |= {
        "title_of": text.title, "unit": text.unit, "estimate": text.estimate, "interval": text.interval,
        "number": text.number, "signed": text.signed, "plain": text.plain, "measured": text.measured,
        "probability": text.probability, "duration": text.duration,
        "event_word": text.event, "finding_value": text.finding_value, "finding_limit": text.finding_limit,
        "finding_name": advice.finding_name, "deciding": advice.deciding_words,
        "stated_limit": text.stated_limit, "unit_of": unit_of,
        "more_reason": advice.more_reason, "worst_first": advice.worst_first,
        "aspect": text.aspect, "calibration": text.calibration,
    }  # fmt: skip
    env.tests |= {
        "not_judged": advice.not_judged,
        "read_log": lambda r: isinstance(r, ReadLog),
    }
    return env


def _unbroken(value: Any) -> Any:
    """Keep numbers together in what a template prints; what is markup already stays as it is."""
    return text.unbroken(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def anchors_for(parts: Iterable[PartResult]) -> dict[str, str]:
    """Give every part a fragment name of its own: its id where that makes one, else its number."""
    out: dict[str, str] = {}
    for i, part in enumerate(parts, 1):
        plain = f"part-{part.id}"
        out[part.id] = plain if re.fullmatch(r"[A-Za-z0-9._-]+", part.id) else f"part-no-{i}"
    return out


def _part_view(part: PartResult, anchor: str, analysis: Analysis | None, number: Iterator[int]) -> PartView:
    make = _FIGURES.get(part.kind)
    # the airframe's result is the one that counts: sisters may have added findings to it after the analysis
    figures = list(make(Analysis(result=part, tables=analysis.tables))) if make and analysis else []
    plots = _plots(figures, number)
    small = [p for p in plots if p.figure.over_cycles]
    budgets: dict[str, list[BudgetLine]] = {}
    for line in part.budget:
        budgets.setdefault(line.quantity, []).append(line)
    return PartView(
        part=part, anchor=anchor, small=tuple(small[:_MAIN_FIGURES]), more=tuple(small[_MAIN_FIGURES:]),
        others=tuple(p for p in plots if not p.figure.over_cycles),
        trends={k: v for k, v in part.quantities.items() if isinstance(v, Trend)},
        estimates={k: v for k, v in part.quantities.items() if isinstance(v, Estimate)}, budgets=budgets,
        budget=_records(analysis.tables.get("budget") if analysis else None, _BUDGET),
        cross_check=_records(analysis.tables.get("cross_check") if analysis else None, _CROSS_CHECK),
    )  # fmt: skip


def _plots(figures: Iterable[Figure | None], number: Iterator[int]) -> tuple[Plot, ...]:
    return tuple(Plot(id=f"plot-{next(number)}", figure=f) for f in figures if f is not None)


def _matrices(result: AirframeResult, tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, str]]:
    """Names of the mismatch matrices with the coupling each is of: the first servo group's, and the other one's."""
    first = next((g.coupling for g in result.groups), "ganged")
    other = "mirrored" if "mismatch_matrix_mirrored" in tables else None
    return [("mismatch_matrix", "ganged" if other else first)] + (
        [("mismatch_matrix_mirrored", other)] if other else []
    )


def _trims(result: AirframeResult, tables: Mapping[str, pd.DataFrame]) -> dict[str, list[dict[str, Any]]]:
    """Trim rows per group: from the matching's table, which also tells per cent and load, else from the results."""
    more = ("correction_percent", "before_deg", "load_before_nm", "load_after_nm")
    table = tables.get("trim")
    out: dict[str, list[dict[str, Any]]] = {}
    for g in result.groups:
        rows: list[dict[str, Any]] = [dataclasses.asdict(t) for t in g.trim]
        if table is not None and len(own := table[table["group"] == g.name]):
            rows = list(_records(own))
        out[g.name] = [dict.fromkeys(more) | row for row in rows]
    return out


def _records(table: pd.DataFrame | None, columns: Iterable[str] = ()) -> tuple[dict[str, Any], ...]:
    """Rows of a table as dicts that have at least these columns, None for what is missing; none without a table."""
    if table is None:
        return ()
    least = dict.fromkeys(columns)
    return tuple(least | {str(k): _finite(v) for k, v in row.items()} for row in table.to_dict("records"))


def _second(table: pd.DataFrame | None) -> SecondBest | None:
    """The second best placement, where the matching found one."""
    rows = _records(table)
    second = [r for r in rows if r["rank"] == 2]
    if not second:
        return None
    return SecondBest(
        parts={r["position"]: r["part"] for r in second},
        worst={int(r["rank"]): r["worst_mismatch"] for r in rows},
        total={int(r["rank"]): r["sum_mismatch"] for r in rows},
    )


def _finite(value: Any) -> Any:
    return None if value is pd.NA or (isinstance(value, float) and not math.isfinite(value)) else value


def _by_verdict(result: AirframeResult) -> dict[str, list[PartResult]]:
    return {v: [p for p in result.parts if p.verdict == v] for v in ("reject", "retest", "accept")}


def _settings() -> dict[str, Any]:
    return {
        "template": look.template(),
        "config": look.CONFIG,
        "dark": {look.LIGHT[role]: look.DARK[role] for role in look.LIGHT},
    }


@functools.cache
def _policy(script: str) -> Markup:
    return Markup(assets.content_policy(script, assets.plotly_source()))
