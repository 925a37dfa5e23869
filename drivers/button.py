"""An indicator that sends its line only when its data button is pressed."""

import re

from drivers.lines import LineInstrument, LineParser


class LineOnButton(LineInstrument):
    """Every good line is a sample and a press: "take it now"."""

    silence_is_normal = True

    def parser(self) -> LineParser:
        button = re.compile(self.settings.pattern, re.ASCII)
        return LineParser(self.name, self.settings, button, streams=False)
