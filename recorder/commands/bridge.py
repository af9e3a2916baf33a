"""The command `bridge`: writes the configuration of the device's own broker and of its bridge to a remote one."""

import os
import ssl
from pathlib import Path
from typing import Annotated

import typer

from recorder.commands.shared import Config, Unusable, fail
from recorder.config import load
from recorder.errors import why
from recorder.notices import bridge as text
from recorder.notices import client
from recorder.notices.passwords import hashed

app = typer.Typer()

INSTALLED = Path("/etc/mosquitto/batch-recorder")

DROP_INS = "/etc/systemd/system/mosquitto.service.d"

SYSTEM_CA = Path("/etc/ssl/certs/ca-certificates.crt")


@app.command("bridge")
def bridge_command(
    config: Config,
    remote: Annotated[str, typer.Option(metavar="HOST[:PORT]", help="The remote broker; its port is 8883 by default.")],
    site: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="This site's own prefix at the remote broker, such as main-street; required."
        ),
    ] = "",
    ca: Annotated[
        Path, typer.Option(metavar="FILE", help="Certificate of the authority that signed the remote broker's.")
    ] = SYSTEM_CA,
    password_file: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="The bridge's password at the remote broker; default: remote-password beside FILE."
        ),
    ] = None,
    protocol: Annotated[
        str, typer.Option(metavar="VERSION", help='MQTT version of the bridge: "3.1.1" or "5".')
    ] = "3.1.1",
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write the files into this folder; default: print them.")
    ] = None,
) -> None:
    """Write mosquitto's configuration for the device's broker and its bridge, with an example for the remote broker."""
    try:
        files = _files(config, remote, site, ca, password_file or config.parent / "remote-password", protocol, out)
        if out is None:
            for name, content in files.items():
                typer.echo(f"# ---- {INSTALLED / name}\n{content}")
            return
        out.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            with os.fdopen(os.open(out / name, os.O_WRONLY | os.O_CREAT, 0o600), "w") as file:
                os.fchmod(file.fileno(), 0o600 if name == "device.users" else 0o644)
                os.ftruncate(file.fileno(), 0)
                file.write(content)
    except (ValueError, OSError) as error:
        fail(error)
    typer.echo(f"Written to {out}: {', '.join(files)}.")
    typer.echo("Then paste:")
    if "device.users" in files:
        typer.echo(f"  sudo chown mosquitto {out.absolute() / 'device.users'}")
    typer.echo(f"  sudo install -D -m 644 -t {DROP_INS} {out.absolute() / 'batch-recorder.conf'}")
    typer.echo("  sudo systemctl daemon-reload && sudo systemctl restart mosquitto")


def _files(
    config: Path, remote: str, site: str, ca: Path, password_file: Path, protocol: str, out: Path | None
) -> dict[str, str]:
    """Name and content of each file."""
    settings = load(config).mqtt
    if settings is None:
        raise Unusable(f'{config} has no [mqtt] table; write one with host = "127.0.0.1"')
    if settings.host not in ("127.0.0.1", "localhost") or settings.tls:
        raise Unusable(
            f'{config} [mqtt]: with a bridge the recorder speaks to its own device; host = "127.0.0.1", no TLS'
        )
    if settings.username and not settings.password_file:
        raise Unusable(f"{config} [mqtt]: username {settings.username} has no password_file; name it too")
    if not site:
        raise Unusable("--site is missing; write this site's own name, such as --site main-street")
    host, colon, port = remote.partition(":")
    if colon and not (port.isascii() and port.isdigit()):
        raise Unusable(f"--remote is {remote!r}; write HOST or HOST:PORT with a number from 1 to 65535")
    made = text.Bridge(
        root=settings.root,
        station=settings.station,
        host=host,
        port=int(port) if colon else 8883,
        site=site,
        ca_file=str(ca.absolute()),
        folder=str((out or INSTALLED).absolute()),
        local_port=settings.port,
        local_user=settings.username,
        protocol=protocol,
    )
    _check_ca(ca)
    if not password_file.exists():
        raise Unusable(
            f"{password_file} can't be read: there is no such file; write the password in its first line, or name"
            " another with --password-file"
        )
    client.password(password_file)
    files = {
        "device.conf": text.device_conf(made),
        "device.acl": text.device_acl(made),
        "batch-recorder.conf": text.drop_in(made, str(password_file.absolute())),
        "remote.conf": text.remote_conf(made),
        "remote.acl": text.remote_acl(made),
    }
    if settings.username and settings.password_file:
        files["device.users"] = f"{settings.username}:{hashed(client.password(settings.password_file))}\n"
    return files


def _check_ca(ca: Path) -> None:
    """mosquitto up to 2.0.8 verified nothing where this file was no certificate: refuse it here."""
    try:
        ssl.create_default_context(cafile=str(ca))
    except (OSError, ValueError) as error:
        remedy = "apt install ca-certificates, or name your authority's certificate (PEM) with --ca"
        reason = "it holds no certificate" if isinstance(error, ssl.SSLError) else why(error)
        raise Unusable(f"the CA file {ca} can't be used: {reason}; {remedy}") from error
