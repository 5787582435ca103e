"""The accuracy report as Markdown and as a page with plots, from rows of what was off."""

from __future__ import annotations

import math
from collections import defaultdict
from html import escape

import numpy as np

from tests.benchmarks.edge_bounds import u_gained

HEAD = (
    "figure",
    "n",
    "bias",
    "RMS error",
    "worst",
    "inside U",
    "wrong",
    "missed",
    "declined",
    "plain RMS",
    "ratio to bound",
)
LEAST_IN_GROUP = 4
"""Fewer errors than this say nothing of a way of taking photos."""
WIDE, HIGH, LEFT, BELOW = 460, 190, 52, 30


def figures(score):
    """Rows by figure, in the order in which they were met."""
    out = defaultdict(list)
    for row in score.rows:
        out[row.figure].append(row)
    return {k: out[k] for k in sorted(out)}


def statistics(rows):
    """n, bias, RMS, worst, share inside U (%), wrong, RMS of the plain reading and RMS over that of the bounds (nan
    where there is none)."""
    error, u, naive, bound = (np.array([getattr(r, k) for r in rows]) for k in ("error", "u", "naive", "bound"))
    plain, known = naive[np.isfinite(naive)], np.isfinite(bound)
    return (
        len(error),
        float(error.mean()),
        float(np.sqrt(np.mean(error**2))),
        float(np.abs(error).max()),
        100.0 * float(np.mean(np.abs(error) <= 2.0 * u)),
        int(np.sum(np.abs(error) > 4.0 * u)),
        float(np.sqrt(np.mean(plain**2))) if len(plain) else math.nan,
        float(np.sqrt(np.mean(error[known] ** 2) / np.mean(bound[known] ** 2))) if known.any() else math.nan,
    )


def as_markdown(score, bounds, on):
    """The whole report."""
    parts = [f"# Accuracy on photos of known geometry, {on}", "", _said(score), "", *_table(HEAD, _summary(score))]
    for name, rows in _ways(score):
        parts += [
            "",
            f"## By {name}",
            "",
            *_table(("figure", name, "n", "bias", "RMS error", "worst", "inside U", "wrong"), rows),
        ]
    if bounds:
        parts += ["", "## Edge finders beside the bound", "", BOUND_TEXT, "", *_table(BOUND_HEAD, _bound_rows(bounds))]
        parts += ["", "## What noise has in U", "", NOISE_TEXT, "", *_table(NOISE_HEAD, noise_rows(score))]
    if score.refused:
        parts += ["", "## Photos refused", "", *(f"- {name}: {why}" for name, why in score.refused)]
    return "\n".join(parts) + "\n"


def as_html(score, bounds, on):
    """The same with plots: every error with its U over the true value, and errors over U against the normal curve."""
    body = [
        f"<h1>Accuracy on photos of known geometry, {on}</h1><p>{escape(_said(score))}</p>",
        _rows(HEAD, _summary(score)),
    ]
    body.append("<h2>Errors and what U says of them</h2>")
    body += [
        f"<figure><figcaption>{escape(k)}</figcaption>{_errors(v)}{_over_u(v)}</figure>"
        for k, v in figures(score).items()
    ]
    for name, rows in _ways(score):
        head = ("figure", name, "n", "bias", "RMS error", "worst", "inside U", "wrong")
        body.append(f"<h2>By {escape(name)}</h2>{_rows(head, rows)}")
    if bounds:
        body.append(
            f"<h2>Edge finders beside the bound</h2><p>{escape(BOUND_TEXT)}</p>{_rows(BOUND_HEAD, _bound_rows(bounds))}"
        )
        body.append(f"<h2>What noise has in U</h2><p>{escape(NOISE_TEXT)}</p>{_rows(NOISE_HEAD, noise_rows(score))}")
    if score.refused:
        items = "".join(f"<li>{escape(name)}: {escape(why)}</li>" for name, why in score.refused)
        body.append(f"<h2>Photos refused</h2><ul>{items}</ul>")
    top = f"<!doctype html><html lang=en><meta charset=utf-8><title>Accuracy</title><style>{STYLE}</style>"
    return f"{top}{''.join(body)}</html>"


STYLE = (
    "body{font:15px/1.45 sans-serif;max-width:62rem;margin:2rem auto;padding:0 1rem;color:#222}"
    "table{border-collapse:collapse;font-size:13px}"
    "td,th{padding:.15rem .6rem;text-align:right;border-bottom:1px solid #ddd}"
    "td:first-child,th:first-child,td:nth-child(2):not([class]){text-align:left}figure{margin:1rem 0}svg{max-width:49%}"
)
BOUND_HEAD = ("finder", "blur, px", "contrast to noise", "scatter, px", "bound, px", "ratio", "in reach", "bias, px")
BOUND_TEXT = (
    "Scatter of an edge's place on drawn edges in white noise, over 40 px of edge or in one row, beside the Cramer-Rao "
    "bound for the same. The target is 1.3. In reach: over the bound of what the finder looks at, both levels to be "
    "found there; why some look no further stands in tests/benchmarks/edge_bounds.py."
)


NOISE_HEAD = ("figure", "n", "blur, px", "noise in u squared, median", "most", "U less at 1.3, median", "most")
NOISE_TEXT = (
    "Figures along the neck and close up are read by the path finder, whose ratio grows with blur. Noise: the share of "
    "u squared that the edges' noise makes. U less at 1.3: the part of U that a finder at 1.3 times the bound would "
    "take away at each photo's own blur."
)
BY_PATH = ("elevation", "end")


def noise_rows(score):
    """What noise has in the figures that the path finder reads, and what a finder nearer the bound would gain."""
    for name, rows in figures(score).items():
        known = [r for r in rows if math.isfinite(r.noise) and math.isfinite(r.blur)]
        if known and name.startswith(BY_PATH):
            share, blur = [r.noise for r in known], [r.blur for r in known]
            gain = [100.0 * u_gained(r.noise, r.blur) for r in known]
            shares = (f"{np.median(share):.3f}", f"{max(share):.3f}")
            gains = (f"{np.median(gain):.1f} %", f"{max(gain):.1f} %")
            yield (name, len(known), f"{min(blur):.1f} to {max(blur):.1f}", *shares, *gains)


def _said(score):
    n, wrong = len(score.rows), sum(abs(r.error) > 4.0 * r.u for r in score.rows)
    inside = 100.0 * np.mean([abs(r.error) <= 2.0 * r.u for r in score.rows]) if n else math.nan
    return (
        f"{n} readings from {score.photos} photos, {len(score.refused)} of them refused: {inside:.1f} % inside U, "
        f"{wrong} off by more than twice U; {len(score.missed)} features missed, {len(score.declined)} declined with "
        "a reason. "
        "Plain: one factor for the picture, the outline taken for the crown line, the silhouette for the section. "
        "Ratio to bound: RMS error over the Cramer-Rao bound of edges as long, as sharp and as noisy as the photo's, "
        "black on white as the printed scale (tests/benchmarks/figure_bounds.py); what is above 1 is not noise but "
        "what the edges are, the pose and the scale."
    )


def _summary(score):
    for name, rows in figures(score).items():
        n, bias, rms, worst, inside, wrong, plain, ratio = statistics(rows)
        missing = [sum(f == name for f, _ in some) for some in (score.missed, score.declined)]
        beside, over = ("-" if math.isnan(x) else text for x, text in ((plain, _n(plain)), (ratio, f"{ratio:.1f}")))
        yield (name, n, f"{bias:+.3f}", _n(rms), _n(worst), f"{inside:.0f} %", wrong, *missing, beside, over)


def _ways(score):
    """Each way in which photos differ, with a row a figure and group."""
    names = dict.fromkeys(k for r in score.rows for k in r.taken)
    for name in names:
        rows = list(_by(score, name))
        if len({r[1] for r in rows}) > 1:
            yield name, rows


def _by(score, name):
    for figure, rows in figures(score).items():
        groups = defaultdict(list)
        for r in rows:
            if name in r.taken:
                groups[r.taken[name]].append(r)
        for group in sorted(groups, key=_order):
            if len(groups[group]) >= LEAST_IN_GROUP:
                n, bias, rms, worst, inside, wrong, *_ = statistics(groups[group])
                yield (figure, group, n, f"{bias:+.3f}", _n(rms), _n(worst), f"{inside:.0f} %", wrong)


def _order(group):
    """Ranges from small to large, words by the alphabet."""
    number = next((float(w) for w in group.split() if w.replace(".", "").isdigit()), math.inf)
    return (number + (0.5 if group.startswith("over") else 0.0 if group.startswith("under") else 0.1), group)


def _bound_rows(bounds):
    for b in bounds:
        yield (
            b.finder,
            f"{b.blur:g}",
            f"{b.contrast:g}",
            f"{b.scatter:.4f}",
            f"{b.bound:.4f}",
            f"{b.ratio:.2f}",
            f"{b.own_ratio:.2f}",
            f"{b.bias:+.4f}",
        )


def _n(value):
    return f"{value:.3f}" if abs(value) < 1.0 else f"{value:.2f}"


def _table(head, rows):
    yield "| " + " | ".join(head) + " |"
    yield "|" + "---|" * len(head)
    for row in rows:
        yield "| " + " | ".join(map(str, row)) + " |"


def _rows(head, rows):
    top = "".join(f"<th>{escape(str(h))}</th>" for h in head)
    return f"<table><tr>{top}</tr>{''.join(_row(r) for r in rows)}</table>"


def _row(row):
    return "<tr>" + "".join(f"<td>{escape(str(c))}</td>" for c in row) + "</tr>"


def _errors(rows):
    """Errors over the true value, each with its U; wrong ones in red."""
    x, e, u = (np.array([getattr(r, k) for r in rows]) for k in ("true", "error", "u"))
    top = 1.1 * max(float((np.abs(e) + 2.0 * u).max()), 1e-9)
    lo, hi = float(x.min()), float(x.max())
    lo, hi = (lo - 0.5, hi + 0.5) if hi - lo < 1e-6 else (lo - 0.05 * (hi - lo), hi + 0.05 * (hi - lo))
    px = LEFT + (x - lo) / (hi - lo) * (WIDE - LEFT - 8)
    py = _y(e, top)
    marks = [
        f'<path d="M{a:.1f} {b:.1f}V{c:.1f}" stroke="{"#c22" if bad else "#9bc"}"/>'
        f'<circle cx="{a:.1f}" cy="{d:.1f}" r="2" fill="{"#c22" if bad else "#247"}"/>'
        for a, b, c, d, bad in zip(px, _y(e - 2 * u, top), _y(e + 2 * u, top), py, np.abs(e) > 4 * u, strict=True)
    ]
    labels = _label(LEFT, HIGH - 8, f"{lo:.3g}", "start") + _label(WIDE - 8, HIGH - 8, f"{hi:.3g}", "end")
    labels += _label((LEFT + WIDE) / 2, HIGH - 8, "true value", "middle")
    labels += _label(LEFT - 4, _y(0.9 * top, top) + 4, f"{0.9 * top:.2g}", "end") + _label(
        LEFT - 4, _y(0.0, top) + 4, "0", "end"
    )
    zero = f'<path d="M{LEFT} {_y(0.0, top):.1f}H{WIDE - 8}" stroke="#888"/>'
    return _svg("Errors with their expanded uncertainty over the true value", zero + "".join(marks) + labels)


def _over_u(rows):
    """How errors over u are distributed, beside the normal curve that honest ones follow."""
    z = np.clip([r.error / r.u for r in rows], -5.0, 5.0)
    edges = np.arange(-5.25, 5.3, 0.5)
    count, _ = np.histogram(z, edges)
    curve = np.exp(-(np.linspace(-5, 5, 101) ** 2) / 2.0) / math.sqrt(2.0 * math.pi) * 0.5 * len(z)
    top = 1.1 * max(count.max(), curve.max())
    sx = (WIDE - LEFT - 8) / 10.5
    high = HIGH - BELOW
    bars = [
        f'<rect x="{LEFT + (a + 5.25) * sx:.1f}" y="{high * (1 - c / top):.1f}" width="{0.46 * sx:.1f}" '
        f'height="{high * c / top:.1f}" fill="{"#c22" if abs(a + 0.25) > 4 else "#9bc"}"/>'
        for a, c in zip(edges[:-1], count, strict=True)
    ]
    points = " ".join(
        f"{LEFT + (x + 5.25) * sx:.1f},{high * (1 - y / top):.1f}"
        for x, y in zip(np.linspace(-5, 5, 101), curve, strict=True)
    )
    line = f'<polyline points="{points}" fill="none" stroke="#247"/>'
    labels = "".join(
        _label(LEFT + (k + 5.25) * sx, HIGH - 8, f"{k:+d} u" if k else "0", "middle") for k in (-4, -2, 0, 2, 4)
    )
    return _svg("Errors over their standard uncertainty, beside the normal curve", "".join(bars) + line + labels)


def _y(value, top):
    return (HIGH - BELOW) * (0.5 - 0.5 * value / top)


def _label(x, y, text, anchor):
    return f'<text x="{x:.0f}" y="{y:.0f}" font-size="11" text-anchor="{anchor}" fill="#444">{escape(text)}</text>'


def _svg(what, inner):
    return (
        f'<svg viewBox="0 0 {WIDE} {HIGH}" width="{WIDE}" height="{HIGH}" role="img" aria-label="{what}">{inner}</svg>'
    )
