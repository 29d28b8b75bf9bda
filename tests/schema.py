"""As much of JSON Schema (draft 2020-12) as ``ivkit/answer/schema.json`` uses."""

import json
import re

from ivkit.answer.document import SCHEMA

KINDS = {
    "object": lambda x: isinstance(x, dict),
    "array": lambda x: isinstance(x, list),
    "string": lambda x: isinstance(x, str),
    "boolean": lambda x: isinstance(x, bool),
    "null": lambda x: x is None,
    "number": lambda x: isinstance(x, int | float) and not isinstance(x, bool),
}
KNOWN = {
    *("$schema", "$defs", "$ref", "title", "description", "type", "const", "enum", "anyOf"),
    *("required", "properties", "additionalProperties", "propertyNames", "pattern"),
    *("items", "minLength"),
}
PUBLISHED = json.loads(SCHEMA.read_text(encoding="utf-8"))


def errors(found, schema=PUBLISHED, where="$"):
    """Yield where a document breaks the schema."""
    assert set(schema) <= KNOWN, set(schema) - KNOWN
    if "$ref" in schema:
        yield from errors(found, PUBLISHED["$defs"][schema["$ref"].rpartition("/")[2]], where)
    kinds = schema.get("type", ())
    kinds = [kinds] if isinstance(kinds, str) else kinds
    if kinds and not any(KINDS[kind](found) for kind in kinds):
        yield f"{where}: {found!r} is not {' or '.join(kinds)}"
    if "const" in schema and found != schema["const"]:
        yield f"{where}: {found!r} is not {schema['const']!r}"
    if "enum" in schema and found not in schema["enum"]:
        yield f"{where}: {found!r} is none of {schema['enum']}"
    if "anyOf" in schema and all(list(errors(found, one, where)) for one in schema["anyOf"]):
        yield f"{where}: {found!r} fits none"
    if isinstance(found, str):
        if len(found) < schema.get("minLength", 0):
            yield f"{where}: is too short"
        if "pattern" in schema and not re.search(schema["pattern"], found):
            yield f"{where}: {found!r} does not match {schema['pattern']}"
    if isinstance(found, list) and "items" in schema:
        for k, one in enumerate(found):
            yield from errors(one, schema["items"], f"{where}[{k}]")
    if isinstance(found, dict):
        yield from _object(found, schema, where)


def _object(found, schema, where):
    yield from (
        f"{where}: {key} is missing" for key in schema.get("required", ()) if key not in found
    )
    others = schema.get("additionalProperties", True)
    for key, one in found.items():
        yield from errors(key, schema.get("propertyNames", {}), f"{where}, the name {key}")
        if key in schema.get("properties", {}):
            yield from errors(one, schema["properties"][key], f"{where}.{key}")
        elif others is False:
            yield f"{where}: {key} is not in the schema"
        elif others is not True:
            yield from errors(one, others, f"{where}.{key}")
