"""Plain SVG for what is drawn from the audit: grey, and nothing told by colour alone."""

from collections.abc import Iterable
from html import escape

from supervisor.shell.console.audit import printable

DARK, MIDDLE = "#222222", "#7a7a7a"


def page(width: int, height: int, left: float, title: str, parts: Iterable[str]) -> str:
    """A picture with its title; `url(#hatched)` fills with stripes."""
    return "\n".join([
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'font-family="sans-serif" font-size="13" fill="{DARK}" role="img">',
        f"<title>{escape(printable(title))}</title>",
        f'<defs><pattern id="hatched" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<line x1="0" y1="0" x2="0" y2="6" stroke="{MIDDLE}" stroke-width="2"/></pattern></defs>',
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        text(left, 30, title, size=18),
        *parts,
        "</svg>",
    ]) + "\n"  # fmt: skip


def text(x: float, y: float, words: str, size: int = 13, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}">{escape(printable(words))}</text>'


def rect(x: float, y: float, width: float, height: float, fill: str, more: str = "") -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="{fill}"{more}/>'


def line(x1: float, y1: float, x2: float, y2: float, more: str = "") -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{DARK}"{more}/>'


def in_two(words: str) -> tuple[str, str]:
    """Words broken into two lines near their middle."""
    middle = words.find(" ", len(words) // 2)
    return (words, "") if middle < 0 else (words[:middle], words[middle + 1 :])
