"""`open`: one line with the address, the page there, and a clean end."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from urllib.request import urlopen

import pytest

from pipelines.cli import main

# As from a terminal: what a script runs behind itself does not heed Ctrl-C, nor do its children.
STRIKEOFF = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
    "from pipelines.cli import run; run()"
)


def test_it_tells_one_address_and_ends_cleanly(learnt_workspace):
    options = ["--workspace", str(learnt_workspace), "open", "--no-browser"]
    command = [sys.executable, "-c", STRIKEOFF, *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as run:
        try:
            line = run.stdout.readline()
            address = re.fullmatch(
                r"The page is at (http://127\.0\.0\.1:\d+/); Ctrl-C ends it\.\n", line
            )
            with urlopen(address[1] + "ask/", timeout=60) as reply:
                assert "Turquoise" in reply.read().decode()
            run.send_signal(signal.SIGINT)
            assert run.communicate(timeout=60)[0] == "The page is closed.\n"
        finally:
            run.kill()  # else a test that fails would wait for it
        assert run.returncode == 0


@pytest.fixture
def taken():
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        yield str(other.getsockname()[1])


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--port", "0"], "from 1 to 65535"),
        (["--port", "many"], "is not a number"),
        (["--host", "203.0.113.7"], "is no address of this computer"),
        (["--shop", "other"], 'No shop "other"'),
    ],
)
def test_what_cannot_be_is_a_sentence(learnt_workspace, capsys, options, sentence):
    command = ["--workspace", str(learnt_workspace), "open", "--no-browser", *options]
    assert main(command) == 2
    assert sentence in capsys.readouterr().err


def test_a_port_that_is_taken_is_told(learnt_workspace, capsys, taken):
    command = ["--workspace", str(learnt_workspace), "open", "--no-browser", "--port", taken]
    assert main(command) == 2
    assert f"--port {taken} is taken by another program" in capsys.readouterr().err
