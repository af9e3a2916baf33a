"""Probe URLs, by which a probe is named at a keyboard: `DRIVER:ADDRESS?KEY=VALUE&KEY=VALUE`.

    /dev/ttyACM0                                serial is the default, and needs no name
    /dev/ttyUSB0?form=plain&unit=F&channels=vat2
    replay:kitchen.jsonl

Keys are those of [[probe]] in the configuration. Values are as in TOML, and what is no TOML is text; a list is written
with commas, and the keys of a table within with a point, such as `register.address=0`.
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, get_args, get_origin, get_type_hints

from recorder.misfits import MisfitError, choice
from recorder.probes.kinds import PROBES
from recorder.probes.probe import ProbeSettings
from recorder.tables import build


def settings(url: str, **more: Any) -> ProbeSettings:
    """What `url` means; `more` are settings that hold unless it says otherwise.

    Raises `ValueError`, and `DriverUnavailable` where its kind can't be used.
    """
    driver, address, options = _parts(url)
    kind = PROBES.load(driver)
    hints = get_type_hints(kind)
    first = fields(kind)[1].name
    table: dict[str, Any] = {"driver": driver, first: address}
    for key, text in options.items():
        name, _, within = key.partition(".")
        if within:
            tables = table.setdefault(name, [{}])
            if not (isinstance(tables, list) and tables and isinstance(tables[0], dict)):
                raise ValueError(f"{url}: {key} has no place, since {name} is {tables!r}")
            tables[0][within] = _value(text)
        elif get_origin(hints.get(name)) is tuple:
            item = next(iter(get_args(hints[name])), str)
            table[name] = [each if item is str else _value(each) for each in text.split(",") if each]
        else:
            table[name] = text if hints.get(name) is str else _value(text)
    known = {key: value for key, value in more.items() if key in hints and key not in table}
    try:
        return from_table({**known, **table})
    except ValueError as error:
        raise ValueError(f"{url}: {error}") from error


def from_table(table: Mapping[str, Any]) -> ProbeSettings:
    """The settings in a table of plain values, such as [[probe]] of the configuration.

    Raises `ValueError`, and `DriverUnavailable` where its kind can't be used.
    """
    name = table.get("driver")
    if not isinstance(name, str) or name not in PROBES:
        raise MisfitError(choice(name, PROBES) if "driver" in table else f"is missing; {_one()}", "driver")
    made: ProbeSettings = build(PROBES.load(name), table)
    return made


def _one() -> str:
    return f"write one of {PROBES.listed()}"


def _parts(url: str) -> tuple[str, str, dict[str, str]]:
    driver, colon, rest = url.partition(":")
    if colon and driver not in PROBES and re.fullmatch(r"[a-z]+", driver) and not rest.startswith("//"):
        raise ValueError(f"{url}: {driver!r} is no driver; write one of {PROBES.listed()}")
    if not colon or driver not in PROBES:
        driver, rest = "serial", url
    address, _, query = rest.partition("?")
    pairs = [pair.partition("=") for pair in query.split("&") if pair]
    if bad := [key for key, equals, _ in pairs if not equals]:
        raise ValueError(f"{url}: {bad[0]} has no value; write {bad[0]}=VALUE")
    if not address:
        raise ValueError(f"{url}: there is no address; write it after {driver}:, or a port alone, such as /dev/ttyACM0")
    return driver, address, {key: value for key, _, value in pairs}


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
