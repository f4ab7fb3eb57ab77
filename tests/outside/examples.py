"""Holds every example of an OpenAPI 3.1 document to its schema (JSON Schema 2020-12, PyPI `jsonschema`)."""

import json
import sys

from jsonschema import Draft202012Validator, FormatChecker
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

document = json.load(open(sys.argv[1], encoding="utf-8"))
registry = Registry().with_resource("urn:document", Resource.from_contents(document, default_specification=DRAFT202012))


def rooted(schema):
    if isinstance(schema, dict):
        return {name: "urn:document" + value if name == "$ref" else rooted(value) for name, value in schema.items()}
    return [rooted(item) for item in schema] if isinstance(schema, list) else schema


count, faults = 0, []
for path, item in document["paths"].items():
    for method, operation in item.items():
        bodies = [("request", operation.get("requestBody", {}))] + list(operation["responses"].items())
        for name, body in bodies:
            for media, content in body.get("content", {}).items():
                if "example" in content:
                    count += 1
                    validator = Draft202012Validator(rooted(content["schema"]), registry=registry, format_checker=FormatChecker())
                    faults += [f"{method} {path} {name} {media}: {error.message}" for error in validator.iter_errors(content["example"])]
print(f"{count} examples held to their schemas, {len(faults)} faults")
print("\n".join(faults))
sys.exit(1 if faults or count < 50 else 0)
