"""``ivkit start``: a folder to begin with."""

import click


@click.command("start")
@click.argument("folder", metavar="FOLDER")
@click.option(
    "--light",
    type=click.Choice(("lamp", "sun")),
    default="lamp",
    show_default=True,
    help="What shines on the panel.",
)
@click.option(
    "--front-end",
    type=click.Choice(("meters", "converter")),
    default="meters",
    show_default=True,
    help="What takes the readings: two meters, or a divider, a shunt and a converter.",
)
def command(folder: str, light: str, front_end: str) -> None:
    """A folder to begin with: a commented bench.toml, a blank table, a note of what to do next.

    FOLDER is made if it is not there. Nothing in it is written over.

    Example: ivkit start my-panel --light lamp --front-end meters
    """
    import os

    from ivkit.answer import Answer, Column, Table
    from ivkit.cli.output import write_whole
    from ivkit.errors import FileError
    from ivkit.report.starter import NOTE, FrontEndKind, Light, starter_files

    files = starter_files(Light(light), FrontEndKind(front_end))
    there = [name for name in files if os.path.lexists(os.path.join(folder, name))]
    if there:
        raise FileError(
            f"{' and '.join(there)} {'is' if len(there) == 1 else 'are'} there already, "
            "and nothing is written over",
            folder,
            "give another folder, or move them away first",
        )
    made = not os.path.lexists(folder)
    try:
        if made or not os.path.isdir(folder):
            os.mkdir(folder)
    except OSError as error:
        raise FileError(
            f"cannot be made ({(error.strerror or str(error)).lower()})",
            folder,
            "give a new name in a folder that is there and can be written to",
        ) from None
    try:
        write_whole({os.path.join(folder, name): text.encode() for name, text in files.items()})
    except FileError:
        if made:
            os.rmdir(folder)
        raise
    lines = Column("lines", [len(text.splitlines()) for text in files.values()])
    answer = Answer(
        "start",
        f"{folder} is ready: read {NOTE} first, then fill in the table.",
        tables={"files": Table("", [Column("file", list(files)), lines])},
        cautions=(
            "Caution: lamps and loaded resistors burn. A panel in the light cannot be switched "
            "off: cover it before touching the wiring.",
        ),
    )
    click.echo(str(answer))
