"""Writes the manual page from the commands: python docs/man_page.py > docs/stormplan.1"""

import sys
from collections.abc import Iterator

from typer.main import get_command

from stormplan.cli.main import app
from stormplan.errors import ExitCode

EXIT_CODES = {
    ExitCode.COMPLETE: "Complete plan, or done.",
    ExitCode.BAD_INPUT: "Bad input; one sentence says what and where.",
    ExitCode.DEGRADED: "Done, but something is missing, stale, contradictory or not delivered.",
    ExitCode.NOTHING_PLANNED: "Nothing could be planned.",
}
FILES = {
    "sites.yaml": "The sites file, found in the folder the command is started in.",
    "briefings/latest/": "The newest complete set of reports.",
    "briefings/archive.sqlite": "Everything received, planned and sent.",
}


def roff(text: str) -> str:
    """Return text as roff reads it: nothing in it is a request or an escape."""
    escaped = " ".join(text.split()).replace("\\", "\\e").replace("-", "\\-")
    escaped = "".join(c if c.isascii() else f"\\[u{ord(c):04X}]" for c in escaped)
    return f"\\&{escaped}" if escaped[:1] in (".", "'") else escaped


def commands(group, name: str) -> Iterator[tuple[str, object]]:
    """Yield every command with its full name, groups taken apart."""
    for key, command in sorted(group.commands.items()):
        full = f"{name} {key}"
        if hasattr(command, "commands"):
            yield from commands(command, full)
        else:
            yield full, command


def option_lines(command) -> Iterator[str]:
    """Yield a command's arguments and options, each with its help."""
    for parameter in command.params:
        help_text = getattr(parameter, "help", None)
        if parameter.name == "help" or not help_text:
            continue
        if parameter.param_type_name == "argument":
            shown = parameter.name.upper()
        else:
            shown = ", ".join((*parameter.opts, *parameter.secondary_opts))
        yield ".TP"
        yield f".B {roff(shown)}"
        yield roff(help_text)


def page() -> str:
    """Return the manual page."""
    root = get_command(app)
    out = [
        '.TH STORMPLAN 1 "" "stormplan" "User Commands"',
        ".SH NAME",
        f"stormplan \\- {roff('storm-event planner for snow-and-ice contractors')}",
        ".SH SYNOPSIS",
        ".B stormplan",
        r"\fICOMMAND\fR [\fIOPTION\fR]...",
        ".SH DESCRIPTION",
        roff(
            "Turns the open weather forecast into a decision for every surface of every site:"
            " whether to pre-treat, salt, plow or wait, when, with which blend and at what rate,"
            " and what to mix for it. The plan advises; local codes, product labels and licensed"
            " practice decide."
        ),
        ".SH COMMANDS",
    ]
    for name, command in commands(root, "stormplan"):
        paragraphs = [part for part in (command.help or "").split("\n\n") if part.strip()]
        out += [f".SS {roff(name.removeprefix('stormplan '))}", roff(paragraphs[0])]
        for part in paragraphs[1:]:
            out += [".PP", roff(part)]
        out += option_lines(command)
    out.append(".SH EXIT STATUS")
    for code, text in EXIT_CODES.items():
        out += [".TP", f".B {int(code)}", roff(text)]
    out.append(".SH FILES")
    for name, text in FILES.items():
        out += [".TP", f".I {roff(name)}", roff(text)]
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    sys.stdout.write(page())
