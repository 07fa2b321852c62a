"""The user's guide: Markdown pages, shipped and printed by 'spc guide TOPIC'."""

from importlib.resources import files

from spc.errors import NotFoundError
from spc.store.schema import described

#: Topics in the order of the work, each with what it answers.
TOPICS = {
    "start": "from an empty folder to the first report",
    "plan": "the measurement plan, point by point",
    "files": "results and events: columns, units, times, mappings",
    "alignment": "what the best fit does, and what it cannot tell",
    "verdict": "what a run's verdict weighs, and how often it is right",
    "charts": "limits, rules, and what a signal means",
    "drift": "size, twist, bow, and what goes with them",
    "capability": "indices, their intervals, and when there are none",
    "gauge": "the gauge study: design, components, verdict",
    "board": "the page for the screen beside the arm",
    "report": "the month's page and the exports",
    "json": "what --json prints",
    "schema": "the store's tables",
    "limits": "what this program does not do, and the cautions",
    "changes": "what changed from version to version",
}


def topics() -> str:
    """Return the list of topics."""
    width = max(map(len, TOPICS))
    lines = [f"  {name:<{width}}  {text}" for name, text in TOPICS.items()]
    return "\n".join(["Print one with 'spc guide TOPIC':", *lines])


def page(topic: str) -> str:
    """Return the Markdown of a topic."""
    if topic == "schema":
        return schema_page()
    if topic not in TOPICS:
        raise NotFoundError(f"no topic '{topic}'; there are {', '.join(TOPICS)}")
    return files("spc.guide").joinpath(f"{topic}.md").read_text(encoding="utf-8").rstrip()


def schema_page() -> str:
    """Return the tables of the store, made from the schema itself."""
    lines = ["# The store's tables", ""]
    for table, (sentence, columns) in described().items():
        lines += [f"## {table}", "", sentence, ""]
        lines += [f"- `{column}`: {text}" for column, text in columns.items()]
        lines.append("")
    return "\n".join(lines).rstrip()
