"""What schemathesis is told of our API: how to log in, and real ids to ask for.

Each device has a pace of its own, so that requests go round among several of them.
"""

import itertools
import json
import os
import random
import time
import uuid

import schemathesis

from client import ask, devices

URL = os.environ["TAPPETBOOK_URL"]
EVERY = devices(URL, os.environ["TAPPETBOOK_CODE"], int(os.environ.get("TAPPETBOOK_DEVICES", "12")))
TOKENS = [(device.log_in(), time.monotonic()) for device in EVERY]
CHANCE = random.Random(1)
TURN = itertools.cycle(range(len(EVERY)))


def token():
    at = next(TURN)
    if time.monotonic() - TOKENS[at][1] > 600:
        TOKENS[at] = (EVERY[at].log_in(), time.monotonic())
    return TOKENS[at][0]


def read(path):
    status, _, body = ask("GET", URL + path, token())
    assert status == 200, body
    return json.loads(body)


def known():
    """Ids that the demonstration's shop really has, by the beginning of the path that takes them."""
    machines = [line["machine"] for line in read("/v1/machines")["items"]]
    histories = [read(f"/v1/machines/{machine}/history")["items"] for machine in machines]
    records = [line for lines in histories for line in lines]
    return {
        "/v1/quarantine/": [str(line["id"]) for line in read("/v1/quarantine")["items"]],
        "/v1/machines/": machines,
        "/v1/properties/": [line["property"] for line in read("/v1/properties")["items"]],
        "/v1/people/": [line["person"] for line in read("/v1/people")["items"]],
        "/v1/records/": [line["record"] for line in records],
        "/v1/visits/": [line["record"] for line in records if line["kind"] == "visit"],
    }


KNOWN = known()
assert all(KNOWN.values()), KNOWN


@schemathesis.auth(refresh_interval=None)
class Login:
    def get(self, case, context):
        return token()

    def set(self, case, data, context):
        case.headers = case.headers or {}
        case.headers["Authorization"] = "Bearer " + data


def is_id(text):
    try:
        return bool(uuid.UUID(str(text)))
    except ValueError:
        return False


@schemathesis.hook
def before_call(context, case, kwargs):
    """Three times in four an id that exists in place of a made-up one: else nearly every answer would be 404."""
    given = (case.path_parameters or {}).get("id")
    if is_id(given) or given and "/quarantine/" in case.operation.path:
        for path, ids in KNOWN.items():
            if case.operation.path.startswith(path) and CHANCE.random() < 0.75:
                case.path_parameters["id"] = CHANCE.choice(ids)


@schemathesis.hook
def filter_case(context, case):
    """A header that nobody knows is passed over (RFC 9110 section 5.1): that it is not refused is no finding."""
    return not any(name.lower().startswith("x-schemathesis-unknown") for name in case.headers or {})


@schemathesis.serializer("application/cbor")
def cbor(context, value):
    """The exchange's own tests make requests; here it is only sent what is none."""
    return value if isinstance(value, bytes) else json.dumps(value).encode()
