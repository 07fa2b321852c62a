"""spc guide."""

import click

from spc.cli.saying import say


@click.command("guide")
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """Print a page of the guide; without a TOPIC, what there is.

    Example: spc guide files
    """
    from spc.guide import page, topics

    say(page(topic) if topic else topics())
