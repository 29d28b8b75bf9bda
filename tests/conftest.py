"""What the tests of the command line share."""

import pytest

from ivkit.cli import main


@pytest.fixture
def command_line(monkeypatch, tmp_path, capsys):
    """Run ivkit in an empty folder; return exit status, standard output and standard error."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments):
        with pytest.raises(SystemExit) as stop:
            main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return stop.value.code, out, err

    return run
