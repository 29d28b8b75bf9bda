"""Help that helps: an example that runs, quick to come, and fit for an 80-column terminal."""

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest

from ivkit.answer.text import page_width, table, wrap
from ivkit.cli import COMMANDS, main

ROOT = Path(__file__).parent.parent
#: The names in the examples of --help, and which of our files stand behind them.
STANDS_FOR = {
    "panel.toml": "datasheets/jetty_10W.toml",
    "sweep.csv": "examples/shed_sweep.csv",
    "noon.csv": "examples/jetty_sweep.csv",
    "evening.csv": "examples/shed_sweep.csv",
    "turned.csv": "examples/shed_angle.csv",
    "facing.csv": "examples/shed_sweep.csv",
    "log.csv": "examples/shed_track.csv",
    "runs/one.csv": "examples/shed_sweep.csv",
    "runs/two.csv": "examples/jetty_sweep.csv",
}
HEAVY = ("numpy", "scipy", "pandas", "matplotlib", "pvlib", "uncertainties", "jinja2")


def _help(name, width=80):
    from ivkit.cli import ivkit as group

    command = group.get_command(click.Context(group), name)
    context = click.Context(command, info_name=f"ivkit {name}", terminal_width=width)
    return command.get_help(context)


def _example(name):
    """Return the command line of a command's example, broken lines joined."""
    (found,) = re.findall(r"Example: ((?:.+\n)+)", _help(name) + "\n")
    return " ".join(found.split())


@pytest.fixture
def bench_folder(tmp_path, monkeypatch):
    for folder in ("examples", "datasheets"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    here = tmp_path / "examples"
    (here / "runs").mkdir()
    for name, source in STANDS_FOR.items():
        shutil.copy(ROOT / source, here / name)
    monkeypatch.chdir(here)


@pytest.mark.parametrize("name", COMMANDS)
def test_the_example_of_each_help_runs_as_printed(bench_folder, capsys, name):
    line = _example(name)
    assert f"ivkit {name}" in line
    if "|" in line or "<" in line:
        pytest.skip("its example is a pipe, which its own tests feed")
    words = shlex.split(line)
    assert words[:2] == ["ivkit", name]
    with pytest.raises(SystemExit) as stop:
        main(words[1:])
    out, err = capsys.readouterr()
    # 1 is an answer too: "no".
    assert stop.value.code in (0, 1), err
    assert out or any(Path(word).exists() for word in words[2:])
    assert err == ""


@pytest.mark.parametrize("name", COMMANDS)
def test_help_fits_80_columns_and_says_what_each_option_is(name):
    text = _help(name)
    assert max(map(len, text.splitlines())) <= 80
    assert re.match(rf"Usage: ivkit {name} ", text)
    from ivkit.cli import ivkit as group

    command = group.get_command(click.Context(group), name)
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, f"{name} {option.opts}"


def test_help_of_every_command_loads_click_and_nothing_heavy():
    code = (
        "import sys, click\n"
        "from ivkit.cli import COMMANDS, ivkit\n"
        "for name in COMMANDS:\n"
        "    command = ivkit.get_command(click.Context(ivkit), name)\n"
        "    command.get_help(click.Context(command))\n"
        f"print([m for m in {HEAVY} if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_shell_completes_commands_and_options():
    def ask(words, at):
        told = {"_IVKIT_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(at)}
        done = subprocess.run(
            [sys.executable, "-m", "ivkit"],
            env={**os.environ, **told},
            capture_output=True,
            text=True,
            check=False,
        )
        return {line.partition(",")[2] for line in done.stdout.splitlines()}

    assert {"characterize", "check"} <= ask("ivkit ch", 1)
    assert {"--bench", "--explain"} <= ask("ivkit characterize --", 2)


def _readme_lines():
    (block,) = re.findall(
        r"```sh\ncd examples\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL
    )
    return block.strip().splitlines()


@pytest.mark.parametrize("line", _readme_lines())
def test_what_the_worked_path_prints_fits_80_columns_without_colour(bench_folder, capsys, line):
    with pytest.raises(SystemExit):
        main(shlex.split(line)[1:])
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert "\x1b" not in out


class _Terminal:
    def __init__(self, columns):
        self.columns = columns

    def isatty(self):
        return True

    def fileno(self):
        raise OSError


@pytest.mark.parametrize(("columns", "width"), [(20, 40), (60, 60), (80, 80), (200, 88)])
def test_text_takes_the_width_of_the_terminal_within_reason(monkeypatch, columns, width):
    monkeypatch.setattr(sys, "stdout", _Terminal(columns))
    monkeypatch.setenv("COLUMNS", str(columns))
    assert page_width() == width
    assert max(map(len, wrap("word " * 100).splitlines())) <= width


def test_without_a_terminal_it_is_80_whatever_the_environment(monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    assert page_width() == 80


def test_a_wide_table_breaks_its_head_then_its_words_and_loses_nothing():
    rows = [["a panel that turns by hand", "12.34 W"], ["fixed", "5.6 W"]]
    text = table(rows, ("how it is held", "power into the load"), width=30)
    assert max(map(len, text.splitlines())) <= 30
    for word in [
        "a",
        "panel",
        "that",
        "turns",
        "by",
        "hand",
        "12.34",
        "fixed",
        "5.6",
        "power",
        "into",
        "load",
    ]:
        assert word in text
    # A number is never broken.
    assert "12.34 W" in text
