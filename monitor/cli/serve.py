"""``stormwalk serve``: the web app and the scheduler in one process, for this computer or for the yard's network."""

import contextlib
import ipaddress
import socket
import ssl
import threading
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.watch import running_service, stopping
from monitor.errors import StormwalkError

if TYPE_CHECKING:
    from monitor.assessment import YardAssessment
    from monitor.presentation.season_review import SeasonContent
    from monitor.service import JobState

LARGEST_PEM_BYTES = 1_000_000
"""Of a certificate with those above it, or of a key; they have some kilobytes."""

IPAddress = ipaddress.IPv4Address | ipaddress.IPv6Address


@click.command("serve")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on; 0.0.0.0 is every one.")
@click.option("--port", type=click.IntRange(0, 65535), default=8317, show_default=True, help="0 takes any free one.")
@click.option("--tls-cert", metavar="FILE", help="Certificate, with those between it and the root, PEM.")
@click.option("--tls-key", metavar="FILE", help="Its private key, PEM, without a passphrase.")
@click.option("--allow-host", "names", metavar="NAME", multiple=True, help="Name it is reached under: yard.lan.")
@click.option("--print-unit", is_flag=True, help="Print a systemd unit that keeps it running on Linux.")
@click.option("--print-task", is_flag=True, help="Print the command that keeps it running on Windows.")
@click.pass_obj
def command(
    path: Path,
    host: str,
    port: int,
    tls_cert: str | None,
    tls_key: str | None,
    names: tuple[str, ...],
    print_unit: bool,
    print_task: bool,
) -> None:
    """Do what "watch" does, and serve the web app, until it is stopped (Ctrl-C).

    Only this computer reaches it unless --host names another address. Then an account is needed, see "stormwalk
    account", and for phones a certificate that they trust, or passwords cross the network unencrypted.

    Example: stormwalk serve --host 0.0.0.0 --allow-host yard.lan --tls-cert yard.pem --tls-key yard.key
    """
    if print_unit and print_task:
        raise click.UsageError("--print-unit and --print-task exclude each other.")
    if (tls_cert is None) != (tls_key is None):
        raise click.UsageError("--tls-cert and --tls-key go together.")
    door_address = _address(host)
    shown_elsewhere = not door_address.is_loopback or bool(names)
    if shown_elsewhere:
        _refuse_without_lead(path, host if not names else f"{host} as {names[0]}")
    if tls_cert is not None and tls_key is not None:
        _check_certificate(tls_cert, tls_key)
    if print_unit or print_task:
        from monitor.cli.keep_running import systemd_unit, windows_task

        make = systemd_unit if print_unit else windows_task
        options = ["--host", host, "--port", str(port)]
        if tls_cert is not None and tls_key is not None:
            options += ["--tls-cert", str(Path(tls_cert).absolute()), "--tls-key", str(Path(tls_key).absolute())]
        options += [part for name in names for part in ("--allow-host", name)]
        click.echo(make(path.absolute(), "serve", *options), nl=False)
        return
    import uvicorn

    from monitor import __version__
    from monitor.service import utc_now
    from monitor.web.app import WebApp, make_app
    from monitor.web.live import Pages

    with closing(_listen(str(door_address), port)) as door:
        scheme, bound_port = "https" if tls_cert else "http", door.getsockname()[1]
        hosts = _host_names(door_address, names)
        server: uvicorn.Server | None = None
        stopped = threading.Event()

        def stop() -> None:
            stopped.set()
            if server is not None:
                server.should_exit = True

        with stopping(stop), running_service(path) as service:
            pages = Pages(path, DashboardPages(), service.states, utc_now)
            service.after_job = pages.prepare
            app = make_app(WebApp(path, pages, hosts, utc_now, __version__))
            config = uvicorn.Config(
                app,
                log_level="warning",
                server_header=False,
                lifespan="off",
                ws="none",
                ssl_certfile=tls_cert,
                ssl_keyfile=tls_key,
            )
            server = uvicorn.Server(config)
            for line in _greeting(f"{scheme}://{_in_url(hosts[0])}:{bound_port}/", path, shown_elsewhere):
                click.echo(line, err=True)
            if not stopped.is_set():
                server.run(sockets=[door])  # it takes the signals meanwhile, and hands them on when it has closed


def _address(host: str) -> IPAddress:
    try:
        return ipaddress.ip_address("127.0.0.1" if host == "localhost" else host)
    except ValueError:
        raise StormwalkError(
            f"--host {host}: found no address. Nothing was started. Give an address of this computer, 0.0.0.0 for "
            f"every one, and the names it is reached under with --allow-host."
        ) from None


def _refuse_without_lead(path: Path, where: str) -> None:
    """Nothing is shown beyond this computer before somebody can sign in and manage who else may."""
    from monitor.store.accounts import open_leads
    from monitor.store.connection import connect

    with closing(connect(path)) as conn:
        leads = open_leads(conn)
    if leads == 0:
        raise StormwalkError(
            f"--host {where}: other computers could reach the yard's pages, and nobody has an account to sign in with. "
            f'Nothing was started. Run "stormwalk account add NAME --role lead" first.'
        )


def _check_certificate(certificate: str, key: str) -> None:
    for option, file in (("--tls-cert", certificate), ("--tls-key", key)):
        try:
            size = Path(file).stat().st_size
            with Path(file).open("rb"):
                pass
        except OSError as error:
            raise StormwalkError(
                f"{option} {file}: the file cannot be read ({error.strerror}). Nothing was started. Check its name, "
                f"and that this user may read it."
            ) from None
        if size > LARGEST_PEM_BYTES:
            raise StormwalkError(
                f"{option} {file}: the file has {size / 1e6:,.0f} MB; expected at most {LARGEST_PEM_BYTES / 1e6:g} MB "
                f"of PEM. Nothing was started. See that it is the file you mean."
            )
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password="")
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            found = f"is not of the key in {key}"
        elif Path(key).read_bytes().find(b"ENCRYPTED") >= 0:
            found = f"cannot be used, because the key in {key} is locked with a passphrase"
        else:
            found = f"and the key in {key} are not a certificate and a key in PEM"
        raise StormwalkError(
            f"--tls-cert {certificate}: the certificate {found}. Nothing was started. Give a certificate and the key "
            f"it was made for, both in PEM, the key without a passphrase."
        ) from None


def _listen(address: str, port: int) -> socket.socket:
    every = address == "::"
    try:
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        return socket.create_server(
            (address, port), family=family, dualstack_ipv6=every and socket.has_dualstack_ipv6()
        )
    except OSError as error:
        raise StormwalkError(
            f"Port {port} of {address} cannot be listened on ({error.strerror}). Nothing was started. Another program "
            f"has it, perhaps a stormwalk that runs already: open it in the browser, or choose another --port. Or the "
            f"address is not one of this computer."
        ) from None


def _host_names(address: IPAddress, names: tuple[str, ...]) -> list[str]:
    """Names under which the app answers, the one to open first: those given, its addresses, this computer's own.

    A stranger's page that lets its own name point here is answered under none of them.
    """
    reached = [*_own_addresses(), socket.gethostname().lower()] if address.is_unspecified else [_in_url(str(address))]
    given = [name.lower() for name in names]
    first = [*reached, *given] if address.is_loopback else [*given, *reached]
    return list(dict.fromkeys([*first, "127.0.0.1", "localhost", "[::1]"]))


def _own_addresses() -> list[str]:
    """Addresses of this computer in its networks, the one it reaches others from first; nothing is sent to find out."""
    found = []
    for family, elsewhere in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((elsewhere, 9))  # RFC 5737 and 3849: addresses of nobody
            found.append(probe.getsockname()[0])
    with contextlib.suppress(OSError):
        found += [str(entry[4][0]) for entry in socket.getaddrinfo(socket.gethostname(), None)]
    kept = [
        address for address in dict.fromkeys(found) if not ipaddress.ip_address(address.partition("%")[0]).is_loopback
    ]
    return [_in_url(address) for address in kept if "%" not in address]


def _in_url(address: str) -> str:
    return f"[{address}]" if ":" in address and not address.startswith("[") else address


def _greeting(address: str, path: Path, shown_elsewhere: bool) -> Iterator[str]:
    from monitor.store.accounts import any_account
    from monitor.store.connection import connect

    yield f"Open {address} in a browser. Ctrl-C stops it after the job that runs."
    if shown_elsewhere and address.startswith("http:"):
        yield (
            "Passwords cross the network unencrypted, and phones keep no entry while they are offline: both need "
            "https. Give --tls-cert and --tls-key; the README says where to get a certificate that phones trust."
        )
    if not shown_elsewhere:
        yield "Only this computer reaches it."
        with closing(connect(path)) as conn:
            if not any_account(conn):
                yield 'Pages can only be read until somebody has an account: "stormwalk account add NAME --role lead".'


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
        from dashboards.pages import YARD_PAGES, Live

        page = YARD_PAGES.get(name)
        return None if page is None else page(assessment, Live(static, jobs))

    def cover_page(self, assessment: "YardAssessment", cover_id: int, static: str, jobs: "list[JobState]") -> str:
        """HTML of one cover's page."""
        from dashboards.pages import Live, cover_page

        return cover_page(assessment, cover_id, Live(static, jobs))

    def review_page(
        self, assessment: "YardAssessment", season: "SeasonContent", static: str, jobs: "list[JobState]"
    ) -> str:
        """HTML of the page that reviews the season."""
        from dashboards.pages import Live, review_page

        return review_page(assessment, season, Live(static, jobs))
