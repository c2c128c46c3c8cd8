"""Lets ``python -m stormplan`` stand in for the ``stormplan`` command."""

from stormplan.cli import run

run()
