"""The COSE library cwt of PyPI verifies every record of the documents that documents.mjs has read.

Usage: python verify.py FOLDER. The only keys given are the shop's (what an enrolment answers); the devices' are taken from the
device records that the shop signed, as a third party would. RFC 9052 section 4.4: the external data is the shop id.
"""
import collections
import importlib.metadata
import json
import pathlib
import sys
import uuid

import cbor2
from cwt import COSE, COSEKey
from cwt.exceptions import CWTError

KTY, KID, ALG, CRV, X = 1, 2, 3, -1, -2  # RFC 9052 section 7.1 and RFC 9053 section 7.2
OKP, EDDSA, ED25519 = 1, -8, 6  # RFC 9053 sections 7.1 and 2.2
PROTECTED_KID = 4  # RFC 9052 section 3.1

folder = pathlib.Path(sys.argv[1])
index = json.loads((folder / "index.json").read_text())
found = json.loads((folder / "records.json").read_text())
shop = uuid.UUID(index["shop"]).bytes
cose = COSE.new(verify_kid=True)


def key(device, public):
    return COSEKey.new({KTY: OKP, KID: device, ALG: EDDSA, CRV: ED25519, X: public})


def holds(signed, with_key, external=shop):
    """The payload where the signature holds, else None."""
    try:
        return cose.decode(signed, with_key, external_aad=external)
    except (CWTError, ValueError, TypeError, KeyError, IndexError, EOFError, OverflowError, MemoryError):
        return None


def kid(signed):
    return cbor2.loads(cbor2.loads(signed).value[0])[PROTECTED_KID]


def devices():
    """Every device's key: the shop's own, then those whose cards the shop or a device known so far has signed."""
    root = uuid.UUID(index["shop_device"]).bytes
    keys = {root: key(root, bytes.fromhex(index["shop_key"]))}
    for signed in map(bytes.fromhex, found[index["roster"]].values()):
        payload = holds(signed, keys[root]) if kid(signed) == root else None
        record = cbor2.loads(payload) if payload else {}
        if record.get("kind") == "device":
            card = record["body"]
            keys[card["device"]] = key(card["device"], card["record_key"])
    return keys


keys = devices()
kinds = collections.Counter()
writers = set()
flipped = 0
for doc, records in found.items():
    for name, text in records.items():
        signed = bytes.fromhex(text)
        writer = kid(signed)
        payload = holds(signed, keys[writer])
        assert payload is not None, f"{name} does not verify"
        record = cbor2.loads(payload)
        assert uuid.UUID(bytes=record["id"]) == uuid.UUID(name), f"{name} is the record {record['id'].hex()}"
        assert uuid.UUID(bytes=record["doc"]) == uuid.UUID(doc), f"{name} belongs to another document"
        assert holds(signed, keys[writer], bytes(16)) is None, f"{name} verifies for another shop"
        assert holds(signed, keys[writer], b"") is None, f"{name} verifies for no shop"
        other = next(one for device, one in keys.items() if device != writer)
        assert holds(signed, other) is None, f"{name} verifies with another device's key"
        bits = range(len(signed) * 8) if kinds[record["kind"]] == 0 else [len(signed) * 4]  # all bits of the first of each kind
        for bit in bits:
            broken = bytearray(signed)
            broken[bit // 8] ^= 1 << bit % 8
            assert holds(bytes(broken), keys[writer]) is None, f"{name} verifies with bit {bit} flipped"
            flipped += 1
        kinds[record["kind"]] += 1
        writers.add(writer)

assert dict(kinds) == index["kinds"], f"{dict(kinds)} read, {index['kinds']} in our book"
assert {"clearance", "hours", "arrival"} <= kinds.keys() and len(writers) > 3, "the day lacks what the check is about"
print(f"cwt {importlib.metadata.version('cwt')}: {sum(kinds.values())} records of {len(kinds)} kinds verify, by {len(writers)} devices; "
      f"{flipped} flipped bits, no shop, another shop and another key do not")
