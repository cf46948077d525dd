"""A plot of some curves as an SVG that needs no script: axes, strokes that differ, levels, a legend in words."""

from __future__ import annotations

import math
from html import escape
from typing import Sequence

from packwarden.sizing.result import Curve, Plot

W, H = 720.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 64.0, 16.0, 12.0, 44.0
TICKS = 6


def svg(plot: Plot) -> str:
    """A figure with its caption and legend."""
    xs = [x for c in plot.curves for x in c.x]
    ys = [y for c in plot.curves for y in c.y] + [y for y, _ in plot.levels]
    x, y = _Axis(xs, LEFT, W - RIGHT, plot.log, False), _Axis(ys, H - BOTTOM, TOP, plot.log, True)
    out = ['<figure class="plot"><figcaption><b>%s</b> ' % escape(plot.title)]
    out += ["<i>%s%s</i> " % (_key(c), escape(c.label)) for c in plot.curves]
    label = "%s: %s over %s" % (plot.title, plot.y_label, plot.x_label)
    out.append('</figcaption>\n<svg viewBox="0 0 %g %g" role="img" aria-label="%s">' % (W, H, escape(label)))
    for v in x.ticks:
        p = x.at(v)
        out.append('<path class="grid" d="M%.1f %gV%g"/>' % (p, TOP, H - BOTTOM))
        out.append(
            '<text class="dim" x="%.1f" y="%g" text-anchor="middle">%s</text>' % (p, H - BOTTOM + 16, _number(v))
        )
    for v in y.ticks:
        p = y.at(v)
        out.append('<path class="grid" d="M%g %.1fH%g"/>' % (LEFT, p, W - RIGHT))
        out.append('<text class="dim" x="%g" y="%.1f" text-anchor="end">%s</text>' % (LEFT - 6, p + 4, _number(v)))
    out.append('<text x="%g" y="%g" text-anchor="end">%s</text>' % (W - RIGHT, H - 8, escape(plot.x_label)))
    out.append('<text x="4" y="%g">%s</text>' % (TOP + 6, escape(plot.y_label)))
    for value, text in plot.levels:
        p = y.at(value)
        out.append('<path class="pickup" d="M%g %.1fH%g"/>' % (LEFT, p, W - RIGHT))
        out.append(
            '<text class="halo" x="%g" y="%.1f" text-anchor="end">%s</text>' % (W - RIGHT - 4, p - 4, escape(text))
        )
    out += [_curve(c, x, y) for c in plot.curves]
    out.append("</svg></figure>\n")
    return "".join(out)


class _Axis:
    """Values to places on the paper."""

    def __init__(self, values: Sequence[float], start: float, end: float, log: bool, from_zero: bool) -> None:
        self.log = log
        self.start, self.end = start, end
        low, high = min(values), max(values)
        if log:
            low, high = math.log10(low), math.log10(high)
            low, high = math.floor(low * 4.0) / 4.0, math.ceil(high * 4.0) / 4.0
        elif from_zero:
            low, high = min(0.0, low), max(0.0, high) * 1.05
        if high - low < 1e-12:
            low, high = low - 0.5, high + 0.5
        self.low, self.high = low, high

    def at(self, value: float) -> float:
        """Place of a value."""
        v = math.log10(value) if self.log else value
        return self.start + (self.end - self.start) * (v - self.low) / (self.high - self.low)

    @property
    def ticks(self) -> list[float]:
        """Round values between the ends."""
        if self.log:
            first, last = math.floor(self.low), math.ceil(self.high)
            all_of = [m * 10.0**d for d in range(first, last + 1) for m in (1.0, 2.0, 5.0)]
            kept = [v for v in all_of if self.low - 1e-9 <= math.log10(v) <= self.high + 1e-9]
            return kept if len(kept) <= 9 else [v for v in kept if "%g" % v == "1" or ("%e" % v).startswith("1")]
        raw = (self.high - self.low) / TICKS
        p = 10.0 ** math.floor(math.log10(raw))
        step = next(m * p for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * p >= raw * 0.999)
        n = math.ceil(self.low / step - 1e-9)
        out = []
        while n * step <= self.high * (1 + 1e-12) + 1e-12:
            out.append(n * step)
            n += 1
        return out


def _number(v: float) -> str:
    text = "%g" % round(v, 10) if abs(v) < 1e5 else "%.0e" % v
    return text.replace("-", "\u2212")


def _key(c: Curve) -> str:
    return '<svg viewBox="0 0 22 8" aria-hidden="true"><path class="%s" d="M0 4H22"/></svg>' % c.look


def _curve(c: Curve, x: _Axis, y: _Axis) -> str:
    points = [(x.at(a), y.at(b)) for a, b in zip(c.x, c.y)]
    path = "M" + "L".join("%.1f %.1f" % p for p in points)
    out = '<path class="%s" d="%s"/>' % (c.look, path) if c.joined else ""
    if c.dots:
        out += '<g class="%s" style="stroke-dasharray:none">' % c.look
        out += "".join('<circle cx="%.1f" cy="%.1f" r="%d"/>' % (*p, 3 if c.joined else 5) for p in points) + "</g>"
    return out
