"""Joins a shop and logs in over HTTP as DEVELOPERS.md and /docs describe it, with nothing of ours but the words there.

Standard library and the PyPI package `cryptography` (Ed25519) alone, so that it is a second, independent client.
"""

import base64
import json
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"


def ask(method, url, token=None, body=None, kind="application/json", headers=None):
    """One request: status, headers and body, whatever the status."""
    request = urllib.request.Request(url, data=body, method=method, headers=dict(headers or {}))
    if token:
        request.add_header("authorization", "Bearer " + token)
    if body is not None:
        request.add_header("content-type", kind)
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.status, answer.headers, answer.read()
    except urllib.error.HTTPError as error:
        return error.code, error.headers, error.read()


def uuid7():
    """A version 7 UUID (RFC 9562 section 5.7)."""
    value = (time.time_ns() // 1_000_000) << 80 | uuid.uuid4().int & ((1 << 80) - 1)
    value = value & ~(0xF << 76) | 0x7 << 76
    return str(uuid.UUID(int=value & ~(0x3 << 62) | 0x2 << 62))


def part(data):
    return base64.urlsafe_b64encode(data).rstrip(b"=")


def public_hex(key):
    return key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex()


class Device:
    """An enrolled device that only looks: it logs in, and keeps its private keys here."""

    def __init__(self, url, code, name):
        self.url, self.id = url, uuid7()
        self.login_key, record_key = Ed25519PrivateKey.generate(), Ed25519PrivateKey.generate()
        said = {"code": code, "device": self.id, "device_name": name}
        said |= {"record_key": public_hex(record_key), "login_key": public_hex(self.login_key)}
        status, _, body = ask("POST", url + "/v1/enrol", body=json.dumps(said).encode())
        assert status == 200, body
        answer = json.loads(body)
        self.issuer, self.person = answer["issuer"], answer["person"]
        self.ahead_s = answer["shop_time_ms"] / 1000 - time.time()

    def log_in(self):
        """A fresh access token."""
        now = int(time.time() + self.ahead_s)
        head = {"typ": "client-authentication+jwt", "alg": "EdDSA", "kid": self.id}
        said = {"iss": self.id, "sub": self.id, "aud": self.issuer, "iat": now, "exp": now + 240, "jti": str(uuid.uuid4())}
        signed = part(json.dumps(head).encode()) + b"." + part(json.dumps(said).encode())
        assertion = (signed + b"." + part(self.login_key.sign(signed))).decode()
        form = {"grant_type": "client_credentials", "client_assertion_type": ASSERTION_TYPE, "client_assertion": assertion}
        kind = "application/x-www-form-urlencoded"
        status, _, body = ask("POST", self.url + "/v1/token", body=urllib.parse.urlencode(form).encode(), kind=kind)
        assert status == 200, body
        return json.loads(body)["access_token"]


def devices(url, code, count):
    """So many devices of the office: the first by this code, the others by codes that it asks for."""
    first = Device(url, code, "outside check 1")
    token = first.log_in()
    every = [first]
    for number in range(2, count + 1):
        said = json.dumps({"person": first.person}).encode()
        status, _, body = ask("POST", url + "/v1/codes", token, said, headers={"idempotency-key": f'"code {number}"'})
        assert status == 200, body
        every.append(Device(url, json.loads(body)["code"], f"outside check {number}"))
    return every
