"""The command `page`: writes mosquitto's configuration for the phone page, with a password for each who may look."""

import os
import sys
from collections.abc import Iterator
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from recorder.commands.shared import Config, fail
from recorder.config import load
from recorder.notices import client
from recorder.notices.page_access import PageAccess, acl, conf
from recorder.notices.passwords import hashed, made
from recorder.notices.settings import MqttSettings
from recorder.probes.mqtt.settings import MqttProbeSettings

app = typer.Typer()

FOLDER = Path("/etc/mosquitto/batch-recorder-page")

SHOWN = "/usr/local/share/batch-recorder/page"
"""Where the page is copied to, if mosquitto can't read it where it lies."""

Names = list[str]


@app.command("page")
def page_command(
    config: Config,
    phone: Annotated[
        Names, typer.Option(metavar="NAME", help="Who may read and answer, such as manager; repeat for more phones.")
    ] = ["manager"],  # noqa: B006
    renew: Annotated[Names, typer.Option(metavar="NAME", help="Give this phone a new password.")] = [],  # noqa: B006
    remove: Annotated[Names, typer.Option(metavar="NAME", help="Remove this phone.")] = [],  # noqa: B006
    port: Annotated[int, typer.Option(metavar="PORT", help="Port of the page.")] = 8080,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Serve the page over https: the certificate (PEM), with --key.")
    ] = None,
    key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Its key, which mosquitto must be able to read.")
    ] = None,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the files.")] = FOLDER,
) -> None:
    """Write mosquitto's configuration for the phone page, with passwords and an access list. Prints the lines to paste.

    Existing passwords stay as they are. A new one is shown once, only on a terminal, and saved in a file that only its
    owner can read.
    """
    try:
        station = load(config)
        settings = station.mqtt
        if settings is None:
            raise ValueError(f'{config} has no [mqtt] table; write one with host = "127.0.0.1"')
        if not settings.local or settings.tls:
            raise ValueError(
                f'{config} [mqtt]: the page\'s broker runs beside the recorder; host = "127.0.0.1", no TLS'
            )
        kept = {name: line for name, line in _users(out) if name not in remove}
        user = settings.username or settings.station
        names = [name for name in dict.fromkeys([*kept, *phone, *renew]) if name not in (user, *remove)]
        access = PageAccess(
            root=settings.root,
            station=settings.station,
            user=user,
            phones=names,
            page=str(files("recorder").joinpath("share/page")),
            folder=str(out.absolute()),
            port=settings.port,
            web_port=port,
            sensors=[
                probe.topic
                for probe in station.probes
                if isinstance(probe, MqttProbeSettings) and probe.endpoint == (settings.host, settings.port)
            ],
            certificate=str(certificate.absolute()) if certificate else None,
            key=str(key.absolute()) if key else None,
        )
        station_file, station_word = _station_password(settings, config)
        out.mkdir(parents=True, exist_ok=True)
        users, new = {user: hashed(station_word)}, dict[str, Path]()
        for name in names:
            if name in kept and name not in renew:
                users[name] = kept[name]
            else:
                word, new[name] = made(), out / f"{name}.password"
                _write(new[name], f"{word}\n")
                users[name] = hashed(word)
        for name in remove:
            (out / f"{name}.password").unlink(missing_ok=True)
        _write(out / "page.users", "".join(f"{name}:{word}\n" for name, word in users.items()))
        _write(out / "page.acl", acl(access))
        _write(out / "page.conf", conf(access), 0o644)
    except OSError as error:
        fail(f"{error.filename or out} can't be written: {error.strerror}; use sudo, or another folder with --out")
    except ValueError as error:
        fail(error)
    typer.echo("\n".join(_next_steps(access, settings, config, station_file, new)))


def _users(folder: Path) -> Iterator[tuple[str, str]]:
    """Names and hashed passwords of an earlier run."""
    with suppress(FileNotFoundError):
        for line in (folder / "page.users").read_text("utf-8").splitlines():
            name, colon, word = line.partition(":")
            if not colon or not word.startswith("$"):
                raise ValueError(f"{folder / 'page.users'} is damaged; remove it, and all get new passwords")
            yield name, word


def _station_password(settings: MqttSettings, config: Path) -> tuple[Path, str]:
    """The recorder's own password and its file, which is made where the configuration names none."""
    if settings.password_file:
        return settings.password_file, client.password(settings.password_file)
    if settings.username:
        raise ValueError(f"{config} [mqtt]: username {settings.username} has no password_file; name it too")
    file = config.absolute().parent / "mqtt-password"
    if not file.exists():
        _write(file, f"{made()}\n")
    return file, client.password(file)


def _write(path: Path, content: str, mode: int = 0o600) -> None:
    """The whole file or none of it, never readable by more than it is meant for; its owner stays."""
    fresh = path.with_name(f".{path.name}.new")
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600), "w") as file:
        file.write(content)
        with suppress(FileNotFoundError, PermissionError):
            owner = path.stat()
            os.fchown(file.fileno(), owner.st_uid, owner.st_gid)
        os.fchmod(file.fileno(), mode)
    fresh.replace(path)


def _next_steps(
    access: PageAccess, settings: MqttSettings, config: Path, station_file: Path, new: dict[str, Path]
) -> Iterator[str]:
    yield f"Written to {access.folder}: page.conf, page.acl, page.users."
    for name, file in new.items():
        if sys.stdout.isatty():
            yield f"Password of {name}, shown this once: {file.read_text('utf-8').strip()}"
        yield f"Password of {name}, for you to keep: {file.absolute()}"
    if not settings.username:
        yield f"Then, in [mqtt] of {config}:"
        yield f'  username = "{access.user}"'
        yield f'  password_file = "{station_file}"'
        yield f"and sudo chown batch-recorder {station_file}"
    yield "Then paste:"
    yield f"  sudo chown mosquitto {access.folder}/page.users {access.folder}/page.acl"
    yield f"  sudo cp {access.folder}/page.conf /etc/mosquitto/conf.d/batch-recorder-page.conf"
    yield "  sudo systemctl restart mosquitto"
    root = "" if access.root == "kitchen" else f"&root={access.root}"
    yield f"The page: {access.scheme}://THIS-MACHINE:{access.web_port}/?station={access.station}{root}"
    if hidden := [str(each) for each in (Path(access.page), *Path(access.page).parents) if not each.stat().st_mode & 1]:
        yield f"mosquitto can't read {hidden[-1]}, where the page lies; install batch-recorder below /opt, or paste:"
        yield f"  sudo mkdir -p {SHOWN} && sudo cp -r {access.page}/. {SHOWN}"
        yield f"  sudo sed -i 's|^http_dir .*|http_dir {SHOWN}|' /etc/mosquitto/conf.d/batch-recorder-page.conf"
        yield "  sudo systemctl restart mosquitto"
    if not access.certificate:
        yield "Without --certificate and --key the page is not encrypted: who is on the network can read passwords."
