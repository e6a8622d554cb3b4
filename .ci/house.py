"""Set Truepeel up on a bare machine and run it; needs nothing but Python 3.11 or newer.

    python3 .ci/house.py demo     set up, then show the demo pattern in the browser
    python3 .ci/house.py test     set up with the test tools, then lint, check types and run every test

What follows goes to the program ("demo --no-browser") or to pytest ("test tests/ui"). Everything is installed into
.venv beside this checkout, at the versions constraints.txt names; a second run installs nothing.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
CONSTRAINTS = ROOT / "constraints.txt"
OLDEST = (3, 11)
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
DRIVE = "from playwright.sync_api import sync_playwright as drive\nwith drive(): pass"
CHECKS = (("ruff", "check", "."), ("ruff", "format", "--check", "."), ("mypy",))


def say(text: str) -> None:
    print(text, flush=True)


def works(*command: str | Path) -> bool:
    """Whether the command can be run and ends well; its words are not shown."""
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def administrator() -> list[str] | None:
    """What to put before a command that changes the system, or None where this user may not."""
    if not hasattr(os, "geteuid") or not shutil.which("apt-get"):
        return None
    if os.geteuid() == 0:
        return []
    return ["sudo", "-n"] if works("sudo", "-n", "true") else None


def install_debian(*packages: str) -> bool:
    """Install Debian or Ubuntu packages where this user may; whether it was done."""
    prefix = administrator()
    if prefix is None:
        return False
    say("Installing " + ", ".join(packages) + " from the system's packages ...")
    apt = [*prefix, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-q"]
    subprocess.run([*apt, "update"], stdout=subprocess.DEVNULL, check=False)
    asked = [*apt, "install", "-y", "--no-install-recommends", *packages]
    return subprocess.run(asked, stdout=subprocess.DEVNULL, check=False).returncode == 0


def make_environment() -> None:
    """A virtual environment in .venv, also where Debian's Python came without the package for making one."""
    if works(PYTHON, "-c", ""):
        return
    shutil.rmtree(VENV, ignore_errors=True)
    # Debian packs ensurepip separately; without it the environment is made bare and the system's pip fills it.
    bare = [] if importlib.util.find_spec("ensurepip") else ["--without-pip"]
    subprocess.run([sys.executable, "-m", "venv", *bare, str(VENV)], check=True)


def pip() -> list[str]:
    """The pip that fills .venv: its own, or the system's from outside."""
    if works(PYTHON, "-m", "pip", "--version"):
        return [str(PYTHON), "-m", "pip"]
    if not works(sys.executable, "-m", "pip", "--version") and not install_debian("python3-pip"):
        raise SystemExit("There is no pip for this Python. Install it (Debian, Ubuntu: python3-pip), then try again.")
    return [sys.executable, "-m", "pip", "--python", str(PYTHON)]


def install(extra: str) -> None:
    """Put Truepeel and all it needs into .venv, unless this very set is there already."""
    needed = hashlib.sha256(str((ROOT, sys.version)).encode())
    for path in (ROOT / "pyproject.toml", CONSTRAINTS):
        needed.update(path.read_bytes())
    # What the tests need holds all that the demo needs.
    stamps = [VENV / f"installed{some}.txt" for some in (extra, "[test]")]
    done = any(stamp.is_file() and stamp.read_text() == needed.hexdigest() for stamp in stamps)
    if done and works(PYTHON, "-c", ""):
        return
    make_environment()
    say("Installing into .venv; the first time this takes some minutes ...")
    # The build of the package itself is held to the same versions; which variable does that depends on pip's age.
    held = {"PIP_CONSTRAINT": str(CONSTRAINTS), "PIP_BUILD_CONSTRAINT": str(CONSTRAINTS)}
    command = [*pip(), "install", "--quiet", "--disable-pip-version-check", "--editable", f"{ROOT}{extra}"]
    if subprocess.run(command, env={**os.environ, **held}, check=False).returncode:
        raise SystemExit("The installation failed; the lines above say why. Without a network it cannot work.")
    stamps[0].write_text(needed.hexdigest())


def run(*command: str) -> int:
    """Run a module in .venv to its end; Ctrl-C is the module's to handle."""
    with subprocess.Popen([str(PYTHON), "-m", *command], cwd=ROOT) as child:
        while True:
            try:
                return child.wait()
            except KeyboardInterrupt:
                continue


def demo(told: list[str]) -> int:
    install("")
    return run("ui.command", "demo", *told)


def test(told: list[str]) -> int:
    install("[test]")
    missing = [] if any(map(shutil.which, BROWSERS)) else ["chromium"]
    # The program that drives the browser needs a library that a minimal Debian lacks.
    missing += [] if works(PYTHON, "-c", DRIVE) else ["libatomic1"]
    if missing and not install_debian(*missing):
        say(f"Missing here, and not to be installed: {', '.join(missing)}. Tests that need a browser will be skipped.")
    failed = []
    for check in (*CHECKS, ("pytest", *told)):
        say("\n$ " + " ".join(check))
        if run(*check):
            failed.append(check[0])
    if failed:
        say("\nFailed: " + ", ".join(failed))
    return 1 if failed else 0


def main(told: list[str]) -> int:
    jobs = {"demo": demo, "test": test}
    if not told or told[0] not in jobs:
        say((__doc__ or "").strip())
        return 2
    if sys.version_info < OLDEST:
        say("Truepeel needs Python 3.11 or newer; this is " + sys.version.split()[0] + ". Start it with a newer one.")
        return 2
    return jobs[told[0]](told[1:])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
