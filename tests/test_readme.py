"""What the README says must work does."""

import re
import shlex
import shutil
from pathlib import Path

import pytest

from ivkit.cli import COMMANDS, main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _lines():
    (block,) = re.findall(r"```sh\ncd examples\n(.*?)```", README, re.DOTALL)
    return block.strip().splitlines()


@pytest.fixture
def scenario(tmp_path, monkeypatch):
    for folder in ("examples", "datasheets"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    monkeypatch.chdir(tmp_path / "examples")


@pytest.mark.parametrize("line", _lines())
def test_the_path_from_shed_to_jetty_works_as_written(scenario, capsys, line):
    words = shlex.split(line)
    assert words[0] == "ivkit"
    with pytest.raises(SystemExit) as stop:
        main(words[1:])
    out, err = capsys.readouterr()
    assert stop.value.code in (0, 1), err
    assert err == ""
    assert out


def test_every_command_is_in_the_readme():
    for name in COMMANDS:
        assert f"`ivkit {name}" in README, name


def test_the_two_front_doors_are_there():
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
    assert len(lines) == 2
    assert "ivkit characterize examples/" in lines[0]
    assert lines[1].endswith(".venv/bin/pytest")


def test_the_numbers_of_the_first_result_are_what_the_command_prints(scenario, capsys):
    with pytest.raises(SystemExit):
        main(["characterize", "shed_sweep.csv"])
    words = " ".join(README.split())
    shown = re.search(r"gives \d\.\d+\(.*? fill factor \d\.\d+\(\d+\)", words).group()
    assert shown in " ".join(capsys.readouterr().out.split())
