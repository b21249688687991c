"""Texts that keep the service running: a systemd unit for Linux, a scheduled task for Windows."""

import getpass
import sys
from pathlib import Path


def systemd_unit(database: Path, command: str, *options: str) -> str:
    """A unit file for ``systemctl``: starts with the machine, again after a crash, stops after the job that runs."""
    line = " ".join(
        _quoted(part) for part in (sys.executable, "-m", "monitor", "--db", str(database), command, *options)
    )
    # The rest of a line is taken as it is, but for %; a list of paths is parted by blanks.
    folder = str(database.parent).replace("%", "%%")
    return f"""\
[Unit]
Description=stormwalk, the boatyard's weather watch
Wants=network-online.target
After=network-online.target

[Service]
User={getpass.getuser()}
ExecStart={line}
WorkingDirectory={folder}
# Addresses of notices and keys of weather services, one NAME=VALUE a line, readable by this user alone:
EnvironmentFile=-{folder}/stormwalk.env
Restart=on-failure
RestartSec=30
KillSignal=SIGTERM
TimeoutStopSec=120
NoNewPrivileges=yes
ProtectSystem=strict
ReadWritePaths="{folder}"

[Install]
WantedBy=multi-user.target
"""


def windows_task(database: Path, command: str, *options: str) -> str:
    """The ``schtasks`` command that starts the service when the user signs in, in a window of its own.

    A task that was started twice does no harm: the second service is refused.
    """
    python = Path(sys.executable)
    line = " ".join(
        _for_task(part) for part in (str(python), "-m", "monitor", "--db", str(database), command, *options)
    )
    return f'schtasks /Create /TN stormwalk /SC ONLOGON /RL LIMITED /F /TR "{line}"\n'


def _quoted(part: str) -> str:
    """A word of ``ExecStart``: % and $ mean themselves, blanks do not part it."""
    escaped = part.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"' if " " in part else escaped


def _for_task(part: str) -> str:
    r"""A word inside the quotes of ``/TR``, where a quote is written \"."""
    return f'\\"{part}\\"' if " " in part else part
