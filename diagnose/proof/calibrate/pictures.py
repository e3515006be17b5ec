"""A reliability diagram as SVG: what was said against what came true, with intervals and counts."""

from __future__ import annotations

from diagnose.proof.calibrate.measures import Bin, Calibration, Scores

SIDE = 320
LEFT, TOP, FOOT = 56, 34, 92
#: colors that differ in lightness as well as in hue
INK, GRID, DOT, BAR = "#222222", "#d5d5d5", "#1f5fa8", "#9bb7d4"
TICKS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
BAR_HEIGHT = 40


def reliability_svg(result: Calibration | Scores, *, top: bool = False) -> str:
    """Draw how often forecasts came true; self-contained SVG text.

    A Calibration shows its first setting. ``top`` shows the set ranked first instead of failures'
    probabilities. The bars below are counts, on a scale of roots, because most forecasts are small.
    """
    scores = result.scores[0] if isinstance(result, Calibration) else result
    bins = [b for b in (scores.top_bins if top else scores.bins) if b.count]
    error = scores.ece_top if top else scores.ece
    what = "Set ranked first" if top else "Failures' probabilities"
    width, height = LEFT + SIDE + 20, TOP + SIDE + FOOT
    title = f"{what}, setting {scores.setting}: expected calibration error {error:.3f}"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" role="img" font-family="sans-serif" font-size="11" fill="{INK}">',
        f"<title>{title}</title>",
        f"<desc>{_as_words(bins)}</desc>",
        f'<text x="{LEFT}" y="16" font-size="12">{title}</text>',
        *_grid(),
        f'<line x1="{_x(0)}" y1="{_y(0)}" x2="{_x(1)}" y2="{_y(1)}" stroke="{INK}" stroke-dasharray="4 4"/>',
        *(_dot(b) for b in bins),
        *_bars(bins),
        f'<text x="{LEFT + SIDE / 2:.0f}" y="{height - 6}" text-anchor="middle">probability that was given '
        f"(bars: how many, {sum(b.count for b in bins):,} in all)</text>",
        f'<text transform="translate(14 {TOP + SIDE / 2:.0f}) rotate(-90)" text-anchor="middle">'
        "share that was true</text>",
        "</svg>",
    ]
    return "\n".join(parts)


def _x(chance: float) -> float:
    return LEFT + SIDE * chance


def _y(chance: float) -> float:
    return TOP + SIDE * (1.0 - chance)


def _grid() -> list[str]:
    lines = []
    for tick in TICKS:
        lines.append(
            f'<path d="M{_x(tick):.1f} {_y(0):.1f}V{_y(1):.1f}M{_x(0):.1f} {_y(tick):.1f}H{_x(1):.1f}" '
            f'stroke="{GRID}" fill="none"/>'
        )
        lines.append(f'<text x="{_x(0) - 6:.0f}" y="{_y(tick) + 4:.0f}" text-anchor="end">{tick:.1f}</text>')
        lines.append(f'<text x="{_x(tick):.0f}" y="{_y(0) + 15:.0f}" text-anchor="middle">{tick:.1f}</text>')
    return lines


def _dot(found: Bin) -> str:
    low, high = found.interval
    return (
        f'<g stroke="{DOT}"><line x1="{_x(found.mean):.1f}" x2="{_x(found.mean):.1f}" '
        f'y1="{_y(low):.1f}" y2="{_y(high):.1f}"/>'
        f'<circle cx="{_x(found.mean):.1f}" cy="{_y(found.share):.1f}" r="3.5" fill="{DOT}"/></g>'
    )


def _bars(bins: list[Bin]) -> list[str]:
    most = max((b.count for b in bins), default=1)
    foot = TOP + SIDE + FOOT - 22
    bars = []
    for found in bins:
        height = BAR_HEIGHT * (found.count / most) ** 0.5
        bars.append(
            f'<rect x="{_x(found.low) + 1:.1f}" y="{foot - height:.1f}" '
            f'width="{SIDE * (found.high - found.low) - 2:.1f}" height="{height:.1f}" fill="{BAR}"/>'
        )
    return bars


def _as_words(bins: list[Bin]) -> str:
    """The diagram for those who hear it."""
    return "; ".join(
        f"{b.low:.2f} to {b.high:.2f}: {b.count} given, {b.mean:.3f} on average, {b.share:.3f} true"
        for b in bins
    )
