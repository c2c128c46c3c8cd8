r"""Plans two mornings of the bundled, invented storm, as ./scripts/demo does, where there is no POSIX shell.

    py scripts\demo.py          (Windows)
    python3 scripts/demo.py      (macOS, Linux)

Needs Python 3.11 or newer and nothing else. The first run makes .venv and installs packages into
it; later runs need no network. What follows the name goes to `stormplan brief`, such as --full.
"""

import hashlib
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
CONSTRAINTS = ROOT / "scripts" / "constraints.txt"
STAMP = ENVIRONMENT / ".installed-by-demo.py"


def environment_python(environment: Path, platform: str = sys.platform) -> Path:
    """Return the interpreter of a virtual environment."""
    return environment / ("Scripts/python.exe" if platform == "win32" else "bin/python")


def wanted_stamp() -> str:
    """Return what the environment is made from: it is made anew when that changes."""
    made_from = (ROOT / "pyproject.toml").read_bytes() + CONSTRAINTS.read_bytes()
    return hashlib.sha256(made_from).hexdigest()


def install() -> None:
    """Make the environment and install stormplan into it; nothing where that is done."""
    if STAMP.is_file() and STAMP.read_text(encoding="ascii") == wanted_stamp():
        return
    sys.stderr.write("stormplan: installing packages (first run, or pins changed)\n")
    venv.create(ENVIRONMENT, clear=True, with_pip=True)
    python = environment_python(ENVIRONMENT)
    quiet = ("--quiet", "--disable-pip-version-check")
    command = [python, "-m", "pip", "install", *quiet, "-c", CONSTRAINTS, "-e", ROOT]
    subprocess.run(command, check=True)  # noqa: S603  (pip of the environment just made)
    STAMP.write_text(wanted_stamp(), encoding="ascii")


def main() -> int:
    """Install if need be, then plan the bundled storm."""
    if sys.version_info < (3, 11):  # noqa: UP036  (whoever starts this may have an older one)
        sys.stderr.write("stormplan: needs Python 3.11 or newer\n")
        return 1
    install()
    out = ROOT / "demo-output"
    brief = [environment_python(ENVIRONMENT), "-m", "stormplan", "brief", "--demo", "--out"]
    first = subprocess.run([*brief, out, *sys.argv[1:]], check=False)  # noqa: S603  (user's words)
    if first.returncode or sys.argv[1:]:
        return first.returncode
    sys.stdout.write(
        "\nThe second morning: what the crews logged is in the stock and on the pavement.\n\n"
    )
    sys.stdout.flush()
    second = [*brief, out / "second-morning", "--now", "2026-01-13T10:30Z"]
    return subprocess.run(second, check=False).returncode  # noqa: S603


if __name__ == "__main__":
    sys.exit(main())
