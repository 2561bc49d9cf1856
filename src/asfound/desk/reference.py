"""The reference of the API as a page, made from its description."""

from __future__ import annotations

from typing import Any

from asfound.desk.app import bare_app, described

Json = dict[str, Any]


def api_reference() -> str:
    """`docs/reference/api.md`."""
    document = described(bare_app())
    lines = [
        "# HTTP API of the desk",
        "",
        "Generated from the program by `make docs`. A running desk serves the full description "
        "(OpenAPI 3.1) at `/api/v1/openapi.json`.",
        "",
        document["info"]["description"].rstrip(),
    ]
    tags: dict[str, list[tuple[str, str, Json]]] = {}
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            tags.setdefault(operation["tags"][0], []).append((method.upper(), path, operation))
    for tag, operations in tags.items():
        lines += [
            "",
            f"## {tag.capitalize()}",
            "",
            "| request | what it does | least role |",
            "| --- | --- | --- |",
        ]
        for method, path, operation in operations:
            said = operation["description"].split("\n\nLeast role:")[0]
            words = " ".join(f"{operation['summary']}. {said}".split()).replace("|", "\\|")
            body = _body(operation)
            more = f" Body: [`{body}`](#{body.lower()})." if body else ""
            role = operation["x-least-role"]
            lines.append(f"| `{method} {path}` | {words}{more} | {role} |")
    lines += ["", "## Bodies", ""]
    schemas = document["components"]["schemas"]
    for name in sorted(schemas):
        if name != "Problem":
            lines += _schema(name, schemas[name])
    return "\n".join(lines).rstrip() + "\n"


def _body(operation: Json) -> str:
    """Name of the schema of a request's body, empty for none."""
    for content in operation.get("requestBody", {}).get("content", {}).values():
        schema = content["schema"]
        parts = [schema, *schema.get("anyOf", []), *schema.get("allOf", [])]
        for part in parts:
            if "$ref" in part:
                return str(part["$ref"]).rpartition("/")[2]
    return ""


def _schema(name: str, schema: Json) -> list[str]:
    said = " ".join(str(schema.get("description", "")).split())
    lines = [f"### {name}", ""]
    if said:
        lines += [said, ""]
    lines += ["| member | type | |", "| --- | --- | --- |"]
    needed = schema.get("required", [])
    for member, facts in schema.get("properties", {}).items():
        words = " ".join(str(facts.get("description", "")).split())
        must = "needed. " if member in needed else ""
        lines.append(f"| `{member}` | {_type(facts)} | {must}{words} |".replace("  |", " |"))
    return [*lines, ""]


def _type(facts: Json) -> str:
    if "$ref" in facts:
        found = str(facts["$ref"]).rpartition("/")[2]
        return f"[{found}](#{found.lower()})"
    if "anyOf" in facts:
        return " or ".join(dict.fromkeys(_type(one) for one in facts["anyOf"]))
    if "enum" in facts:
        return ", ".join(f"`{word}`" for word in facts["enum"])
    if facts.get("type") == "array":
        return f"list of {_type(facts.get('items', {}))}" if facts.get("items") else "list"
    kind = str(facts.get("type", "any"))
    if facts.get("contentMediaType") or facts.get("format") == "binary":
        return "file"
    return {"string": "text", "object": "object", "null": "null"}.get(kind, kind)
