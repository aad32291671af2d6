"""The damage map: what the teardown found, drawn on the parts of the machine; one function for paper and report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

from forensics.case.job import Part
from forensics.model.outside_text import for_page
from forensics.rules.papers_forms import MapPart, part_of, read_paper_rules

State = Literal["damaged", "clean", "contradictory", "seen", "not looked at"]
WIDTH, HEIGHT = 1000, 440
STATE_WORDS: dict[State, str] = {
    "damaged": "damage found",
    "clean": "clean, and looked at",
    "contradictory": "entries contradict each other",
    "seen": "looked at, result not said",
    "not looked at": "no entry",
}


@dataclass(frozen=True, slots=True)
class MapRow:
    """One part of the map with the entries that speak of it; ``entries`` count from 1, as in the case file."""

    number: int
    part: MapPart
    state: State
    entries: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DamageMap:
    """The drawing as SVG, its rows, and the entries that name no part of it."""

    svg: str
    rows: tuple[MapRow, ...]
    off_map: tuple[int, ...]


def damage_map(parts: Sequence[Part], *, key: str = "damage-map") -> DamageMap:
    """Draw the teardown: damaged, clean, contradictory or not looked at, part by part.

    Parameters
    ----------
    key
        Prefix of the ids of the drawing, where a page holds several.
    """
    places: dict[str, list[int]] = {}
    off: list[int] = []
    for n, entry in enumerate(parts, 1):
        found = part_of(entry.part)
        if found is None:
            off.append(n)
        else:
            places.setdefault(found.id, []).append(n)
    rows = []
    for number, part in enumerate(read_paper_rules().parts.part, 1):
        entries = tuple(places.get(part.id, ()))
        rows.append(MapRow(number, part, state_of([parts[n - 1] for n in entries]), entries))
    return DamageMap(_svg(rows, slug=key), tuple(rows), tuple(off))


def state_of(entries: Sequence[Part]) -> State:
    """What the entries of one part come to; damage at one place and a clean face at another is damage."""
    if not entries:
        return "not looked at"
    damaged = [entry for entry in entries if entry.damage.strip() or entry.shows in ("cause", "damage")]
    clean = [entry for entry in entries if entry.clean or entry.shows == "in-order"]
    if damaged and any(_same_place(one, other) for one in damaged for other in clean):
        return "contradictory"
    if damaged:
        return "damaged"
    return "clean" if clean else "seen"


def _same_place(one: Part, other: Part) -> bool:
    return one.place.casefold() == other.place.casefold() and one.serial.casefold() == other.serial.casefold()


def _svg(rows: Sequence[MapRow], *, slug: str) -> str:
    told = "; ".join(f"{row.part.title}: {STATE_WORDS[row.state]}" for row in rows if row.entries) or "no entries yet"
    hatch = f"{slug}-hatch"
    body = "".join(_box(row, hatch) for row in rows)
    return (
        f'<svg class="damage-map" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-labelledby="{slug}-title">'
        f'<title id="{slug}-title">Damage map, not to scale. {escape(for_page(told))}</title>'
        f'<defs><pattern id="{hatch}" width="8" height="8" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="8" height="8" fill="#fff"/>'
        '<line x1="0" y1="0" x2="0" y2="8" stroke="#8f3a00" stroke-width="4"/></pattern></defs>'
        '<g fill="none" stroke="#8a8a84" stroke-width="2">'
        '<rect x="28" y="76" width="838" height="272" rx="16"/>'
        '<line x1="230" y1="182" x2="750" y2="182"/><line x1="866" y1="218" x2="884" y2="218"/>'
        '<line x1="974" y1="218" x2="996" y2="218"/><line x1="602" y1="366" x2="660" y2="338"/>'
        '<line x1="694" y1="366" x2="700" y2="338"/><line x1="518" y1="299" x2="628" y2="305"/></g>'
        f"{body}"
        '<g font-size="15" fill="#4d4d48"><text x="34" y="432">motor end, suction</text>'
        '<text x="800" y="432">discharge end</text></g></svg>'
    )


def _box(row: MapRow, hatch: str) -> str:
    left, top, width, height = row.part.box
    fill = {"damaged": f"url(#{hatch})", "contradictory": f"url(#{hatch})", "clean": "#e3f1e6"}.get(row.state, "#fff")
    dash = ' stroke-dasharray="6 4"' if row.state == "not looked at" else ""
    ink = "#8f3a00" if row.state in ("damaged", "contradictory") else "#1a1a1a"
    sign = {"damaged": " ×", "clean": " ✓", "contradictory": " ?!", "seen": " …"}.get(row.state, "")
    text = f"{row.number}{sign}"
    middle, base = left + width / 2, top + height / 2 + 6
    wide = 12.0 * len(text) + 8
    return (
        f'<g><rect x="{left:g}" y="{top:g}" width="{width:g}" height="{height:g}" fill="{fill}" stroke="{ink}" '
        f'stroke-width="1.6"{dash}/>'
        f'<rect x="{middle - wide / 2:g}" y="{base - 16:g}" width="{wide:g}" height="21" fill="#fff"/>'
        f'<text x="{middle:g}" y="{base:g}" text-anchor="middle" font-size="18" fill="{ink}">{text}</text></g>'
    )
