"""What is done once at a broker, by a name of its own, while a station may be at work there. Knows no journal."""

import queue
import time

from recorder.driver import DriverUnavailable
from recorder.notices.client import begin, end, ended, make, unreached
from recorder.notices.diagnosis import explained, refused
from recorder.notices.settings import MqttSettings


def reach(settings: MqttSettings, wait_s: float) -> str:
    """Why the broker can't be reached with these settings within `wait_s`; "" if it can.

    Goes by a name of its own and publishes nothing, so a station at work is left alone. Raises `DriverUnavailable`.
    """
    answers: queue.SimpleQueue[tuple[bool, str]] = queue.SimpleQueue()
    """Whether a broker answered, and what is wrong."""
    client = make(settings, "-check")
    client.on_connect = lambda client, userdata, flags, reason, properties: answers.put(
        (True, refused(str(reason), settings) if reason.is_failure else "")
    )
    client.on_connect_fail = lambda *_: answers.put((False, unreached()))
    client.on_disconnect = lambda client, userdata, flags, reason, properties: answers.put((False, ended(reason)))
    begin(client, settings)
    try:
        answered, reason = answers.get(timeout=wait_s)
    except queue.Empty:
        answered, reason = False, "it says nothing"
    finally:
        end(client)
    return reason if answered else explained(reason, settings)


def send(settings: MqttSettings, what: str, body: str, wait_s: float) -> None:
    """One message to the station itself, as from a phone; raises `DriverUnavailable` if the broker does not take it."""
    client = make(settings, "-sign")
    begin(client, settings)
    try:
        end_s = time.monotonic() + wait_s
        while not client.is_connected() and time.monotonic() < end_s:
            time.sleep(0.02)
        info = client.publish(settings.topic(what), body, 1)
        info.wait_for_publish(max(end_s - time.monotonic(), 0.1))
        if not info.is_published():
            raise DriverUnavailable(f"the broker at {settings.host}:{settings.port} does not take the message")
    except (ValueError, RuntimeError) as error:
        raise DriverUnavailable(f"the broker at {settings.host}:{settings.port} is not reached: {error}") from error
    finally:
        end(client)
