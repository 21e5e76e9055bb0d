"""Everything from nothing: makes .venv beside this file, installs platemark into it, and runs.

    python3 start.py demo        the demo
    python3 start.py test        the tests
    python3 start.py ANYTHING    any platemark command

Needs Python 3.11 or newer and nothing else; uses only the standard library itself.
"""

import hashlib
import subprocess
import sys
import venv
from pathlib import Path

HERE = Path(__file__).resolve().parent
VENV = HERE / ".venv"
BIN = VENV / ("Scripts" if sys.platform == "win32" else "bin")
OLDEST = (3, 11)


def main(words: list[str]) -> int:
    """Set up what the words need, then do them."""
    if sys.version_info < OLDEST:
        print(f"platemark needs Python {OLDEST[0]}.{OLDEST[1]} or newer; this is {sys.version.split()[0]}")
        return 2
    if not words:
        print(__doc__)
        return 2
    testing = words[0] == "test"
    install("test" if testing else "")
    command = ["-m", "pytest", *words[1:]] if testing else ["-m", "platemark", *words]
    return run([str(BIN / "python"), *command], HERE if testing else None)


def run(command: list[str], folder: Path | None) -> int:
    """Run to the end. Ctrl-C reaches the command too, which ends in its own time: not killed, not left behind."""
    with subprocess.Popen(command, cwd=folder) as child:
        while True:
            try:
                return child.wait()
            except KeyboardInterrupt:
                continue


def install(extra: str) -> None:
    """Install once; again when what is needed has changed."""
    wanted = hashlib.sha256((HERE / "pyproject.toml").read_bytes()).hexdigest() + extra
    done = VENV / f"installed-{extra or 'run'}"
    if done.is_file() and done.read_text() == wanted:
        return
    if not (BIN / ("python.exe" if sys.platform == "win32" else "python")).exists():
        print("Making .venv ...", flush=True)
        venv.create(VENV, with_pip=True)
    print("Installing platemark and what it needs into .venv (a minute the first time) ...", flush=True)
    target = f"{HERE}[{extra}]" if extra else str(HERE)
    subprocess.check_call([str(BIN / "python"), "-m", "pip", "install", "--quiet", "--editable", target])
    done.write_text(wanted)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
