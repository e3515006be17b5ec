"""Elements of an SVG picture as text."""

from __future__ import annotations

import math
from html import escape

#: what everything is drawn with: a page may set other colors for the dark; paper takes dark ink on white, so that a
#: black and white print loses nothing
INK, PAPER = "var(--ink,#111)", "var(--paper,#fff)"
RULE, FAINT, SHADE = "var(--rule,#888)", "var(--faint,#ccc)", "var(--shade,#eee)"
FONT = "Helvetica, Arial, sans-serif"


def number(value: float) -> str:
    """A number with two digits at most, without "-0"."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def element(tag: str, *inside: str, **attributes: str | float) -> str:
    """One element; underscores of attribute names become hyphens, and a last one goes."""
    written = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{escape(value) if isinstance(value, str) else number(value)}"'
        for name, value in attributes.items()
    )
    return f"<{tag}{written}>{''.join(inside)}</{tag}>" if inside else f"<{tag}{written}/>"


def words(text: str, x: float, y: float, size: float, **attributes: str | float) -> str:
    """Text centered on a point."""
    fixed: dict[str, str | float] = {"text_anchor": "middle", "fill": INK, "font_family": FONT}
    return element("text", escape(text), x=x, y=y + size * 0.36, font_size=size, **(fixed | attributes))


def at_angle(radius: float, angle_deg: float) -> tuple[float, float]:
    """A point at this distance and angle, clockwise from the top."""
    angle = math.radians(angle_deg)
    return radius * math.sin(angle), -radius * math.cos(angle)


def spoke(inner: float, outer: float, angle_deg: float, width: float, **attributes: str | float) -> str:
    """A line that points away from the middle."""
    (x1, y1), (x2, y2) = at_angle(inner, angle_deg), at_angle(outer, angle_deg)
    style: dict[str, str | float] = {"stroke": INK, "stroke_width": width}
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, **(style | attributes))


def arc(radius: float, start_deg: float, end_deg: float, width: float, **attributes: str | float) -> str:
    """A part of a circle, clockwise."""
    (x1, y1), (x2, y2) = at_angle(radius, start_deg), at_angle(radius, end_deg)
    large = int(end_deg - start_deg > 180.0)
    path = (
        f"M{number(x1)} {number(y1)}A{number(radius)} {number(radius)} 0 {large} 1 {number(x2)} {number(y2)}"
    )
    return element("path", d=path, fill="none", stroke_width=width, **attributes)
