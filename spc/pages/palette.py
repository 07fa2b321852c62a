"""The colours of pages and figures, our own: one accent, everything else blue, violet or grey.

Blue, violet and orange of these lightnesses stay apart for the common colour-vision deficiencies
and in grey; meaning is never by colour alone. Every colour has a light and a dark form. Figures are
drawn with the light ones; the page's script exchanges them by value in dark mode, so no two roles
may share a light colour.
"""

from types import MappingProxyType

#: Role → (light, dark).
COLOURS = MappingProxyType({
    "paper": ("#ffffff", "#11161d"),
    "wash": ("#f3f5f8", "#1a222c"),
    "rule": ("#d3dae3", "#33404f"),
    "ink": ("#19222d", "#e8edf3"),
    "quiet": ("#566374", "#a3b0bf"),
    "faint": ("#8c98a6", "#7a8897"),
    "data": ("#245a90", "#86b8ea"),
    "average": ("#6b4796", "#c5a8ec"),
    "baseline": ("#e4edf7", "#1b2c40"),
    "band": ("#eee8f5", "#2a2438"),
    "tolerance": ("#7d5a2b", "#d7b27c"),
    "accent": ("#bd4400", "#ff9b5e"),
    "accent-wash": ("#fdeee4", "#3a2216"),
    "face": ("#f7f9fb", "#161d26"),
})  # fmt: skip

#: Role → light colour, for figures.
LIGHT = MappingProxyType({role: pair[0] for role, pair in COLOURS.items()})
#: Light colour → dark colour, for the page's script.
TO_DARK = MappingProxyType(dict(COLOURS.values()))
#: Typefaces that every system has one of; nothing is fetched.
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', 'DejaVu Sans', sans-serif"


def css_variables() -> str:
    """Return the colours as CSS custom properties; print takes the light ones."""
    light = ";".join(f"--{role}:{pair[0]}" for role, pair in COLOURS.items())
    dark = ";".join(f"--{role}:{pair[1]}" for role, pair in COLOURS.items())
    return (
        f":root{{{light};--font:{FONT}}}"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}"
    )
