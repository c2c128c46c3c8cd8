"""Lets ``python -m stormplan`` stand in for the ``stormplan`` command."""

from stormplan.cli.main import run

run()
