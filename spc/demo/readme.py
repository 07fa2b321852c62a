"""The page that explains the sample files."""

from spc.demo.scenario import Scenario


def readme(scenario: Scenario) -> str:
    """Return the page as Markdown."""
    return "# Sample runs\n"
