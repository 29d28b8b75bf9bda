"""What the tests of the command line share."""

import json

import pytest

from ivkit.cli import main
from tests.schema import errors


@pytest.fixture
def command_line(monkeypatch, tmp_path, capsys):
    """Run ivkit in an empty folder; return exit status, standard output and standard error.

    An answer as JSON on standard output is held to the published schema.
    """
    monkeypatch.chdir(tmp_path)

    def run(*arguments):
        with pytest.raises(SystemExit) as stop:
            main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        if out.startswith("{") and '"format": "ivkit answer"' in out:
            assert list(errors(json.loads(out))) == []
        return stop.value.code, out, err

    return run
