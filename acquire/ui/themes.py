"""Two sets of colours. Both keep apart for colour-blind eyes: blue for good, orange for act, dark red for trouble.

After Okabe & Ito, "Color Universal Design" (2008): blue, orange and vermillion
differ in lightness too, so that they still differ in 16 colours and in grey.
"""

from dataclasses import replace

from textual.theme import Theme

NIGHT = Theme(
    name="night",
    primary="#56b4e9",
    secondary="#8a939c",
    warning="#e69f00",
    error="#ff5f3c",
    success="#56b4e9",
    accent="#e69f00",
    foreground="#f0f0f0",
    background="#000000",
    surface="#000000",
    panel="#1c2126",
    dark=True,
    variables={
        "good": "#56b4e9",
        "act": "#ffb000",
        "act-fill": "#ffb000",
        "bad": "#ff5f3c",
        "faint": "#9aa4ad",
        "on-good": "#000000",
        "on-act": "#000000",
        "on-bad": "#000000",
        "rule": "#4a535b",
    },
)

DAYLIGHT = Theme(
    name="daylight",
    primary="#003f7d",
    secondary="#4d4d4d",
    warning="#945600",
    error="#700018",
    success="#003f7d",
    accent="#945600",
    foreground="#000000",
    background="#ffffff",
    surface="#ffffff",
    panel="#e4e4e4",
    dark=False,
    variables={
        "good": "#003f7d",
        "act": "#945600",
        "act-fill": "#ffb000",
        "bad": "#700018",
        "faint": "#4d4d4d",
        "on-good": "#ffffff",
        "on-act": "#000000",
        "on-bad": "#ffffff",
        "rule": "#9a9a9a",
    },
)


def without_colour(theme: Theme) -> Theme:
    """The same where NO_COLOR asks for none: what stood out by colour is reversed, which 16 greys cannot blur."""
    text, ground = theme.foreground or "", theme.background or ""
    fills = dict.fromkeys(("act-fill",), text) | dict.fromkeys(("on-good", "on-act", "on-bad"), ground)
    return replace(theme, variables=theme.variables | dict.fromkeys(("good", "act", "bad"), text) | fills)
