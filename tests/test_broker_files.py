"""What the brokers' files say, line by line: options by mosquitto.conf(5), units by systemd.service(5)."""

from dataclasses import replace

import pytest

from recorder.notices import bridge as bridges
from recorder.notices import page_access
from recorder.notices.bridge import Bridge
from recorder.notices.page_access import PageAccess

BRIDGE = Bridge("kitchen", "line-1", "mqtt.example.org", "town/main-street", "/etc/ca.pem", "/etc/mosquitto/recorder")
PAGE = PageAccess("kitchen", "line-1", "fry", ("manager", "owner"), "/usr/share/page", "/etc/mosquitto")


def lines(text: str) -> list[str]:
    """All that is no comment and no empty line."""
    assert text.endswith("\n") and not text.endswith("\n\n")
    return [line for line in text.splitlines() if line and not line.startswith("#")]


HERE, THERE, NAME = "kitchen/line-1/", "town/main-street/kitchen/line-1/", "town.main-street.kitchen.line-1.bridge"
OUT = ["alerts", "state", "batches", "open", "checks", "health", "anchor", "reading/+", "records", "journal"]
IN = ["acknowledge", "seen", "sign"]

DEVICE = f"""\
listener 1883 127.0.0.1
allow_anonymous true
acl_file /etc/mosquitto/recorder/device.acl
log_dest stderr
sys_interval 0
set_tcp_nodelay true
persistence true
persistence_location /var/lib/mosquitto/
autosave_interval 30
max_queued_messages 10000
max_queued_bytes 8388608
memory_limit 33554432
message_size_limit 262144
connection {NAME}
address mqtt.example.org:8883
bridge_cafile /etc/ca.pem
bridge_insecure false
bridge_protocol_version mqttv311
cleansession false
bridge_attempt_unsubscribe false
try_private false
keepalive_interval 30
restart_timeout 2 30
remote_clientid {NAME}
local_clientid {NAME}.local
local_username {NAME}
notifications true
notification_topic {THERE}link
{"".join(f"topic {topic} out 1 {HERE} {THERE}{chr(10)}" for topic in OUT)}\
topic alive out 0 {HERE} {THERE}
{"".join(f"topic {topic} in 1 {HERE} {THERE}{chr(10)}" for topic in IN)}\
remote_username {NAME}
"""


def test_the_device_s_broker_and_its_bridge() -> None:
    assert (BRIDGE.here, BRIDGE.there, BRIDGE.name) == (HERE, THERE, NAME)
    assert lines(bridges.device_conf(BRIDGE)) == DEVICE.splitlines()
    named = replace(BRIDGE, local_user="fry", local_port=1884, port=8884, protocol="5")
    assert lines(bridges.device_conf(named)) == (
        DEVICE.replace("1883", "1884")
        .replace(":8883", ":8884")
        .replace("mqttv311", "mqttv50")
        .replace("allow_anonymous true", "allow_anonymous false\npassword_file /etc/mosquitto/recorder/device.users")
        .splitlines()
    )
    assert bridges.device_conf(BRIDGE).splitlines()[-1].startswith("remote_username"), "the password goes below"


def test_who_may_do_what_at_the_device() -> None:
    rest = [
        f"topic readwrite {HERE}#",
        f"user {NAME}",
        f"topic read {HERE}#",
        *(f"topic write {HERE}{topic}" for topic in IN),
    ]
    assert lines(bridges.device_acl(BRIDGE)) == rest
    assert lines(bridges.device_acl(replace(BRIDGE, local_user="fry"))) == ["user fry", *rest]


def test_what_the_remote_broker_needs() -> None:
    assert lines(bridges.remote_conf(replace(BRIDGE, port=8884))) == [
        "listener 8884",
        "certfile /etc/mosquitto/certs/CERTIFICATE.pem",
        "keyfile /etc/mosquitto/certs/KEY.pem",
        "allow_anonymous false",
        "password_file /etc/mosquitto/remote.users",
        "acl_file /etc/mosquitto/remote.acl",
        "persistence true",
        "persistence_location /var/lib/mosquitto/",
        "autosave_interval 60",
    ]
    text = bridges.remote_acl(BRIDGE)
    assert lines(text) == [
        f"user {NAME}",
        *(f"topic write {THERE}{topic}" for topic in (*OUT, "alive", "link")),
        *(f"topic read {THERE}{topic}" for topic in IN),
        "user manager",
        "topic read town/main-street/#",
        *(f"topic write {THERE}{topic}" for topic in IN),
    ]
    assert text.startswith("#") and text.count("\n\n") == 1, "one gap, between the two users"


def test_configuration_and_password_meet_in_memory_for_the_broker_alone() -> None:
    joined = "/run/mosquitto/batch-recorder.conf"
    parts = 'cat /etc/mosquitto/recorder/device.conf && printf "remote_password " && head -n 1 /etc/word'
    command = f"umask 077 && {{ {parts}; }} > {joined}"
    assert bridges.join(BRIDGE, "/etc/word", joined) == command
    assert lines(bridges.drop_in(BRIDGE, "/etc/word")) == [
        "[Service]",
        f"ExecStartPre=/bin/sh -c '{command} && chown mosquitto {joined}'",
        "ExecStart=",
        f"ExecStart=/usr/sbin/mosquitto -c {joined}",
    ]
    for wrong in ("word", "/etc/my word", "/etc/$(id)", ""):
        with pytest.raises(ValueError, match=r"password file is .*; use an absolute path"):
            bridges.join(BRIDGE, wrong, joined)


def wrong_bridge(**said: object) -> str:
    with pytest.raises(ValueError) as error:
        replace(BRIDGE, **said)  # type: ignore[arg-type]
    return str(error.value)


def test_a_bridge_that_cannot_be_is_named() -> None:
    for port in (1, 65_535):
        assert replace(BRIDGE, port=port, local_port=port).port == port
    for port in (0, 65_536, -1):
        assert wrong_bridge(port=port) == f"remote port is {port}; write one from 1 to 65535"
        assert wrong_bridge(local_port=port) == f"port is {port}; write one from 1 to 65535"
    for host in ("a", "10.0.0.7", "mqtt-2.example.org"):
        assert replace(BRIDGE, host=host).host == host
    for host in ("", "-a", "a-", "a b", "a~"):
        assert wrong_bridge(host=host).startswith(f"remote is {host!r}; ")
    for prefix in ("a", "a/b_c/D-9"):
        assert replace(BRIDGE, site=prefix, root=prefix).root == prefix
    for prefix in ("", "/a", "a/", "a//b", "a/~b", "a~"):
        assert wrong_bridge(site=prefix).startswith(f"site is {prefix!r}; ")
        assert wrong_bridge(root=prefix).startswith(f"root is {prefix!r}; ")
    assert wrong_bridge(local_user="a b").startswith("username is 'a b'; ")
    assert wrong_bridge(local_user="").startswith("username is ''; ")
    assert wrong_bridge(protocol="3.1") == 'protocol is \'3.1\'; write "5" or "3.1.1"'
    for path in ("ca.pem", "/my ca.pem", "/a~"):
        assert wrong_bridge(ca_file=path).startswith(f"ca is {path!r}; ")
        assert wrong_bridge(folder=path).startswith(f"out is {path!r}; ")


def test_the_page_s_broker() -> None:
    plain = [
        "listener 1883 127.0.0.1",
        "listener 8080",
        "protocol websockets",
        "http_dir /usr/share/page",
        "max_connections 100",
        "allow_anonymous false",
        "password_file /etc/mosquitto/page.users",
        "acl_file /etc/mosquitto/page.acl",
        "message_size_limit 262144",
        "set_tcp_nodelay true",
    ]
    assert lines(page_access.conf(PAGE)) == plain and PAGE.scheme == "http" and PAGE.here == HERE
    secure = replace(PAGE, certificate="/c.pem", key="/k.pem", port=1, web_port=65_535)
    assert lines(page_access.conf(secure)) == [
        "listener 1 127.0.0.1",
        "listener 65535",
        *plain[2:5],
        "certfile /c.pem",
        "keyfile /k.pem",
        *plain[5:],
    ]
    assert secure.scheme == "https"
    assert lines(page_access.acl(PAGE)) == [
        "user fry",
        f"topic readwrite {HERE}#",
        *(
            line
            for phone in ("manager", "owner")
            for line in (
                f"user {phone}",
                f"topic read {HERE}#",
                *(f"topic write {HERE}{what}" for what in ("acknowledge", "seen", "sign")),
            )
        ),
    ]


def wrong_page(**said: object) -> str:
    with pytest.raises(ValueError) as error:
        replace(PAGE, **said)  # type: ignore[arg-type]
    return str(error.value)


def test_a_page_that_cannot_be_is_named() -> None:
    assert replace(PAGE, user="a" * 64, phones=("b" * 64,)).user == "a" * 64
    for name in ("", "a b", "a~", "a" * 65):
        assert wrong_page(user=name).startswith(f"username is {name!r}; ")
        assert wrong_page(phones=("manager", name)).startswith(f"phone is {name!r}; ")
    assert wrong_page(phones=("fry",)).startswith("phone is 'fry', the recorder's own name")
    for topic in ("", "/a", "a/", "a/#", "a~"):
        assert wrong_page(root=topic).startswith(f"root is {topic!r}; ")
        assert wrong_page(station=topic).startswith(f"station is {topic!r}; ")
    assert replace(PAGE, root="a/b", station="c/d").here == "a/b/c/d/"
    for port, web in ((8080, 8080), (0, 80), (65_536, 80), (80, 0), (80, 65_536)):
        assert wrong_page(port=port, web_port=web).startswith(f"port is {web}; ")
    assert replace(PAGE, port=65_535, web_port=1).web_port == 1
    for path in ("page", "/a b", "/a~"):
        assert wrong_page(page=path).startswith(f"page is {path!r}; ")
        assert wrong_page(folder=path).startswith(f"out is {path!r}; ")
        assert wrong_page(certificate=path, key="/k").startswith(f"certificate is {path!r}; ")
        assert wrong_page(certificate="/c", key=path).startswith(f"key is {path!r}; ")
    for one in ({"certificate": "/c.pem"}, {"key": "/k.pem"}):
        assert wrong_page(**one) == "certificate and key go together; name both or neither"
