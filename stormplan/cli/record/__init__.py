"""The part of the command line for the record: what was put down, plowed, seen, made and said.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

import typer

from stormplan.cli.record import files, surface_entries, views, yard_entries
from stormplan.cli.record.adding import add_app

#: Modules whose commands add entries, in the order of ``record add --help``.
ENTRY_MODULES = (surface_entries, yard_entries)


def register_commands(app: typer.Typer) -> None:
    """Register the record commands."""
    record_app = typer.Typer(
        no_args_is_help=True, help="Keep the record of what was done; plans start from it."
    )
    record_app.add_typer(add_app, name="add")
    record_app.command("list")(views.list_entries)
    record_app.command("stock")(views.show_stock)
    record_app.command("missing")(views.show_missing)
    record_app.command("verify")(views.verify_record)
    record_app.command("packet")(files.write_day_packet)
    record_app.command("import")(files.import_entries)
    record_app.command("export")(files.export_record)
    record_app.command("prune")(files.prune_record)
    app.add_typer(record_app, name="record")
