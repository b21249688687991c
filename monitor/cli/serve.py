"""``stormwalk serve``: live pages for the browser of this computer, and the scheduler, in one process."""

import ipaddress
import socket
import threading
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.watch import running_service, stopping
from monitor.errors import StormwalkError

if TYPE_CHECKING:
    from monitor.assessment import YardAssessment
    from monitor.register import Yard
    from monitor.service import JobState


@click.command("serve")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address of this computer to listen on.")
@click.option("--port", type=click.IntRange(0, 65535), default=8317, show_default=True, help="0 takes any free one.")
@click.option("--print-unit", is_flag=True, help="Print a systemd unit that keeps it running on Linux.")
@click.option("--print-task", is_flag=True, help="Print the command that keeps it running on Windows.")
@click.pass_obj
def command(path: Path, host: str, port: int, print_unit: bool, print_task: bool) -> None:
    """Do what "watch" does, and show live pages in a browser on this computer, until it is stopped (Ctrl-C).

    Pages are read-only and open to whoever sits at this computer; other computers cannot reach them.

    Example: stormwalk serve --port 8317
    """
    if print_unit and print_task:
        raise click.UsageError("--print-unit and --print-task exclude each other.")
    _refuse_other_hosts(host)
    if print_unit or print_task:
        from monitor.cli.keep_running import systemd_unit, windows_task

        make = systemd_unit if print_unit else windows_task
        click.echo(make(path.absolute(), "serve", "--host", host, "--port", str(port)), nl=False)
        return
    import uvicorn

    from monitor.service import utc_now
    from monitor.web.live import Pages, make_app

    with closing(_listen(host, port)) as door:
        address = f"http://{host}:{door.getsockname()[1]}/"
        server: uvicorn.Server | None = None
        stopped = threading.Event()

        def stop() -> None:
            stopped.set()
            if server is not None:
                server.should_exit = True

        with stopping(stop), running_service(path) as service:
            app = make_app(Pages(path, DashboardPages(), service.states, utc_now), ["127.0.0.1", "localhost", host])
            config = uvicorn.Config(app, log_level="warning", server_header=False, lifespan="off", ws="none")
            server = uvicorn.Server(config)
            click.echo(f"Live pages on {address} and nowhere else. Ctrl-C stops it after the job that runs.", err=True)
            if not stopped.is_set():
                server.run(sockets=[door])  # it takes the signals meanwhile, and hands them on when it has closed


def _refuse_other_hosts(host: str) -> None:
    try:
        loopback = host == "localhost" or ipaddress.IPv4Address(host).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise StormwalkError(
            f"--host {host}: the pages have no sign-in yet, so they are shown on this computer alone. Nothing was "
            f"started. Leave --host out, or give 127.0.0.1."
        )


def _listen(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port))
    except OSError as error:
        raise StormwalkError(
            f"Port {port} of {host} cannot be listened on ({error.strerror}). Nothing was started. Another program has "
            f"it, perhaps a stormwalk that runs already: open it in the browser, or choose another --port."
        ) from None


class DashboardPages:
    """The dashboards as pages of the live server."""

    def static_files(self) -> Mapping[str, bytes]:
        """Style, script and library by file name."""
        from dashboards.pages import static_files

        return static_files()

    def page_names(self, assessment: "YardAssessment") -> Mapping[str, int]:
        """The cover's id by the file name of its page."""
        from dashboards.pages import page_names

        return {name: cover_id for cover_id, name in page_names(assessment.covers).items() if cover_id is not None}

    def yard_page(self, assessment: "YardAssessment", name: str, static: str, jobs: "list[JobState]") -> str | None:
        """HTML of a page on the whole yard by its file name; None where there is none."""
        from dashboards.folder import INDEX
        from dashboards.pages import WEATHER, Live, weather_page, yard_page

        page = {INDEX: yard_page, WEATHER: weather_page}.get(name)
        return None if page is None else page(assessment, Live(static, jobs))

    def cover_page(self, assessment: "YardAssessment", cover_id: int, static: str, jobs: "list[JobState]") -> str:
        """HTML of one cover's page."""
        from dashboards.pages import Live, cover_page

        return cover_page(assessment, cover_id, Live(static, jobs))

    def list_page(self, yards: "list[Yard]", static: str) -> str:
        """HTML of the list of yards."""
        from dashboards.pages import list_page

        return list_page(yards, static)

    def trouble_page(self, title: str, sentence: str, static: str) -> str:
        """HTML of a page that says why there is no other."""
        from dashboards.pages import trouble_page

        return trouble_page(title, sentence, static)
