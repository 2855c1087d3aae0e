"""Validates documents against schemas, and the schemas against their own meta-schema (JSON Schema 2020-12)."""

import json
import sys

import jsonschema


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        cases = json.load(file)
    wrong = []
    for case in cases:
        schema, document = case["schema"], case["document"]
        jsonschema.Draft202012Validator.check_schema(schema)
        validator = jsonschema.Draft202012Validator(schema)
        for error in validator.iter_errors(document):
            wrong.append(f"{case['kind']}: {error.json_path}: {error.message[:200]}")
        # A schema that accepts anything would pass as well: without its head the document must be refused.
        headless = {k: v for k, v in document.items() if k not in ("kind", "version")}
        if case["headed"] and not list(validator.iter_errors(headless)):
            wrong.append(f"{case['kind']}: the schema does not ask for kind and version")
    print("\n".join(wrong) or f"{len(cases)} documents are valid")
    sys.exit(bool(wrong))


main()
