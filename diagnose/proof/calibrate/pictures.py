"""A reliability diagram as SVG: what was said against what came true, with intervals and counts."""

from __future__ import annotations

from html import escape

from diagnose.proof.calibrate.measures import Bin, Calibration, Scores
from diagnose.render.pictures.charts import Frame
from diagnose.render.pictures.faces import FONT, INK, element, number, words

FRAME = Frame((0.0, 1.0), left=56.0, top=34.0, wide=320.0, high=320.0)
#: from the frame down: to the foot of the bars, and to the end of the picture
BARS, FOOT, BAR_HEIGHT = 70.0, 92.0, 40.0
#: colors that differ in lightness as well as in hue
DOT, BAR = "var(--normal,#1f5fa8)", "var(--rule,#9bb7d4)"
TICKS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)


def reliability_svg(result: Calibration | Scores, *, top: bool = False) -> str:
    """Draw how often forecasts came true; self-contained SVG text.

    A Calibration shows its first setting. ``top`` shows the set ranked first instead of failures'
    probabilities. The bars below are counts, on a scale of roots, because most forecasts are small.
    """
    scores = result.scores[0] if isinstance(result, Calibration) else result
    bins = [b for b in (scores.top_bins if top else scores.bins) if b.count]
    error = scores.ece_top if top else scores.ece
    what = "Set ranked first" if top else "Failures' probabilities"
    width, height = FRAME.left + FRAME.wide + 20.0, FRAME.bottom + FOOT
    titles = (f"{what}, setting {scores.setting}", f"expected calibration error {error:.3f}")
    below = f"probability that was given (bars: how many, {sum(b.count for b in bins):,} in all)"
    middle = FRAME.left + FRAME.wide / 2.0
    return element(
        "svg",
        element("title", escape(": ".join(titles))),
        element("desc", _as_words(bins)),
        *(words(text, FRAME.left, 8.0 + 15.0 * k, 12.0, text_anchor="start") for k, text in enumerate(titles)),
        *FRAME.grid(TICKS, "{:.1f}".format),
        *FRAME.ticks([(tick, f"{tick:.1f}") for tick in TICKS]),
        element(
            "line", x1=FRAME.x(0.0), y1=FRAME.y(0.0), x2=FRAME.x(1.0), y2=FRAME.y(1.0), stroke=INK, stroke_dasharray="4 4"
        ),
        *(_dot(b) for b in bins),
        *_bars(bins),
        words(below, middle, height - 10.0, 11.0),
        element(
            "g", words("share that was true", 0.0, 0.0, 11.0), transform=f"translate(14 {number(FRAME.y(0.5))}) rotate(-90)"
        ),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(width)} {number(height)}",
        width=number(width),
        height=number(height),
        role="img",
        font_family=FONT,
    )  # fmt: skip


def _dot(found: Bin) -> str:
    (low, high), x = found.interval, FRAME.x(found.mean)
    return element(
        "g",
        element("line", x1=x, x2=x, y1=FRAME.y(low), y2=FRAME.y(high)),
        element("circle", cx=x, cy=FRAME.y(found.share), r=3.5, fill=DOT),
        stroke=DOT,
    )


def _bars(bins: list[Bin]) -> list[str]:
    most = max((b.count for b in bins), default=1)
    foot, bars = FRAME.bottom + BARS, []
    for found in bins:
        height = BAR_HEIGHT * (found.count / most) ** 0.5
        wide = FRAME.wide * (found.high - found.low) - 2.0
        bars.append(
            element("rect", x=FRAME.x(found.low) + 1.0, y=foot - height, width=wide, height=height, fill=BAR)
        )
    return bars


def _as_words(bins: list[Bin]) -> str:
    """The diagram for those who hear it."""
    return "; ".join(
        f"{b.low:.2f} to {b.high:.2f}: {b.count} given, {b.mean:.3f} on average, {b.share:.3f} true"
        for b in bins
    )
