//! The JSON Schema of layout files, for editors: made of the same table of keys that checking reads.

use serde_json::{Map, Value, json};

use super::keys::{Kind, LAYOUT, SHAPES, Shape};

/// The JSON Schema (draft 2020-12) of a layout file as TOML editors take it.
///
/// What an extending layout leaves out its base gives, so no key is required there but the head.
pub fn schema() -> Value {
    let mut definitions = Map::new();
    for (_, shape) in SHAPES {
        definitions.insert(name(shape), table(shape));
    }
    let mut out = table(&LAYOUT);
    out["$schema"] = json!("https://json-schema.org/draft/2020-12/schema");
    out["title"] = json!("cellkeep layout 1");
    out["$defs"] = Value::Object(definitions);
    out["properties"]["cellkeep"] = json!({ "const": 1, "description": "version of the language" });
    out
}

fn name(shape: &Shape) -> String {
    shape
        .name
        .trim_matches(['[', ']', '`'])
        .trim_start_matches("an ")
        .trim_start_matches("a ")
        .replace(' ', "-")
}

fn table(shape: &'static Shape) -> Value {
    let mut properties = Map::new();
    let mut required = Vec::new();
    for key in shape.keys {
        let mut value = kind(&key.kind);
        value["description"] = json!(key.about);
        properties.insert(key.name.to_owned(), value);
        // A layout that extends another gives of a named thing only what differs.
        let merged = !matches!(
            shape.name,
            "a standby current" | "`when`" | "an absent part" | "a waiver"
        );
        if key.required && (!merged || matches!(key.name, "cellkeep" | "id" | "name" | "key")) {
            required.push(key.name);
        }
    }
    json!({
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

fn kind(kind: &Kind) -> Value {
    let list = |item: Value| json!({ "type": "array", "items": item });
    let reference = |shape: &Shape| json!({ "$ref": format!("#/$defs/{}", name(shape)) });
    let label = || json!({ "type": ["string", "integer"] });
    match kind {
        Kind::Text => json!({ "type": "string" }),
        Kind::Integer => json!({ "type": "integer" }),
        Kind::Number => json!({ "type": "number" }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::Texts => list(json!({ "type": "string" })),
        Kind::Integers => list(json!({ "type": "integer" })),
        Kind::Numbers => list(json!({ "type": "number" })),
        Kind::Word(words) => json!({ "enum": words }),
        Kind::Names => json!({ "anyOf": [label(), list(label())] }),
        Kind::Table(shape) => reference(shape),
        Kind::Tables(shape) => list(reference(shape)),
        Kind::NamedTables(shape) => {
            json!({ "type": "object", "additionalProperties": reference(shape) })
        }
        Kind::NamedLists => json!({
            "type": "object",
            "additionalProperties": { "anyOf": [label(), list(label())] },
        }),
        Kind::Charset => {
            let run = json!({
                "type": "object",
                "properties": { "from": { "type": "integer" }, "characters": { "type": "string" } },
                "required": ["from", "characters"],
                "additionalProperties": false,
            });
            json!({ "anyOf": [{ "type": "string" }, run.clone(), list(run)] })
        }
        Kind::Steps => list(json!({
            "anyOf": [
                { "type": "string" },
                {
                    "type": "array",
                    "prefixItems": [{ "type": "integer" }, { "type": "string" }],
                    "minItems": 2,
                    "maxItems": 2,
                },
            ],
        })),
    }
}
