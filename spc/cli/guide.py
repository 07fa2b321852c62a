"""spc guide."""

import click


@click.command("guide")
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """Print a page of the guide; without a TOPIC, what there is.

    Example: spc guide files
    """
    from spc.guide import page, topics

    click.echo(page(topic) if topic else topics())
