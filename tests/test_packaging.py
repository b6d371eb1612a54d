"""The folders, the links and the wheel agree; the wheel that came by way of the sdist runs."""

from __future__ import annotations

import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FOLDERS = ("daemon", "drivers", "simulators", "config")


def test_the_links_are_the_mapping() -> None:
    """What an editable install imports is what the wheel packs."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    links = {link.name: link.resolve() for link in (ROOT / ".src/quietbench").iterdir()}

    assert links == {folder: ROOT / folder for folder in FOLDERS}
    assert wheel["only-include"] == list(FOLDERS)
    assert wheel["sources"] == {folder: f"quietbench/{folder}" for folder in FOLDERS}
    assert not (ROOT / ".src/quietbench/__init__.py").exists()


def tracked(folder: str) -> set[str]:
    listed = subprocess.run(["git", "ls-files", folder], cwd=ROOT, capture_output=True, text=True, check=True)
    return {f"quietbench/{name}" for name in listed.stdout.split()}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel built from the sdist, as an installer would."""
    out = tmp_path_factory.mktemp("dist")
    subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(ROOT)],
        check=True,
        capture_output=True,
    )
    return next(out.glob("*.whl"))


@pytest.mark.slow
def test_the_wheel_holds_every_file_of_the_tree(wheel: Path) -> None:
    """Modules, migrations, profiles, schemas, scenarios, type markers: nothing is left out without a word."""
    packed = set(zipfile.ZipFile(wheel).namelist())
    expected = set().union(*(tracked(folder) for folder in FOLDERS))

    assert expected
    assert expected <= packed
    assert {f"quietbench/{folder}/py.typed" for folder in FOLDERS} <= packed


@pytest.mark.slow
def test_the_wheel_runs_without_the_tree(wheel: Path, tmp_path: Path) -> None:
    """Unpacked elsewhere, the check of the packaged example passes and a migration is found."""
    zipfile.ZipFile(wheel).extractall(tmp_path)
    code = (
        "import importlib.resources as r, quietbench.daemon.cli as c, quietbench.daemon.store.migrate as m;"
        f"assert c.__file__.startswith({str(tmp_path)!r}), c.__file__;"
        "print(r.files('quietbench.config').joinpath('examples/demo.toml'))"
    )
    command = [sys.executable, "-P", "-S", "-c", _with_packages(tmp_path) + code]
    example = subprocess.run(command, capture_output=True, text=True, check=True, cwd="/").stdout.strip()

    assert Path(example).is_relative_to(tmp_path)
    check = (
        f"import sys; sys.argv = ['quietbench', 'check', {example!r}];"
        "from quietbench.daemon.cli import main; main()"
    )
    command = [sys.executable, "-P", "-S", "-c", _with_packages(tmp_path) + check]
    checked = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
    assert checked.returncode == 0, checked.stdout + checked.stderr


def _with_packages(folder: Path) -> str:
    """Without site, so that the editable install's path is not seen: only the libraries and the unpacked wheel."""
    import sysconfig

    libraries = sysconfig.get_paths()["purelib"]
    return f"import sys; sys.path[:0] = [{str(folder)!r}, {libraries!r}];"
