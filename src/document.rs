//! JSON documents: each names its kind and version, and each has a published schema.

use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::blame::{Blame, Who};

/// A type that is written as a JSON document.
pub trait Document: Serialize + JsonSchema {
    /// The document's kind, one or two words with hyphens.
    const KIND: &'static str;
    /// Its version; raised when a reader of the former one would be misled.
    const VERSION: u32;
}

/// A document with its head; the body's fields stand beside it.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Headed<T> {
    /// The document's kind.
    pub kind: String,
    /// The document's version.
    pub version: u32,
    /// The body.
    #[serde(flatten)]
    pub body: T,
}

/// The document as pretty-printed JSON with a final line end.
///
/// # Errors
/// When a value cannot be represented in JSON, such as a map with keys that are not text.
pub fn to_json<D: Document>(body: &D) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(&Headed {
        kind: D::KIND.to_owned(),
        version: D::VERSION,
        body,
    })?;
    text.push('\n');
    Ok(text)
}

/// Why bytes are not the document that was wanted.
#[derive(Debug, thiserror::Error)]
pub enum NotIt {
    /// No JSON, or a field is missing or of another type.
    #[error("{}", in_words(&.0.to_string()))]
    Json(#[from] serde_json::Error),
    /// Another kind of document, or another version.
    #[error(
        "it is a {kind:?} document, version {version}; this program knows {expected:?}, version {known}"
    )]
    Other {
        /// The kind found.
        kind: String,
        /// The version found.
        version: u32,
        /// The kind wanted.
        expected: &'static str,
        /// The version wanted.
        known: u32,
    },
}

/// What a reader of JSON or TOML says is wrong, in words for those who do not program: "expected u32" becomes "expected
/// a whole number, not negative".
pub fn in_words(says: &str) -> String {
    let mut out = String::with_capacity(says.len());
    let mut rest = says;
    while let Some(at) = rest.find("expected ") {
        let (before, after) = rest.split_at(at + "expected ".len());
        out.push_str(before);
        let end = after
            .find(|c: char| !c.is_alphanumeric())
            .unwrap_or(after.len());
        let (word, then) = after.split_at(end);
        rest = then;
        out.push_str(match word {
            "usize" | "u64" | "u32" | "u16" | "u8" => "a whole number, not negative",
            "isize" | "i64" | "i32" | "i16" | "i8" => "a whole number",
            "f64" | "f32" => "a number",
            "struct" | "internally" | "adjacently" => {
                // "struct Place with 3 elements": up to where the place in the text is told.
                rest = rest.find(" at line").map_or("", |to| &rest[to..]);
                "a group of named values"
            }
            word => word,
        });
    }
    out.push_str(rest);
    out.replace("expected a sequence", "expected a list")
        .replace("expected a map", "expected a group of named values")
        .replace("invalid type: map", "invalid type: a group of named values")
        .replace("invalid type: sequence", "invalid type: a list")
}

/// Reads a document from JSON text.
///
/// # Errors
/// When it is another kind or version, which is looked at first, or is not what that kind holds.
pub fn from_json<D: Document + DeserializeOwned>(text: &[u8]) -> Result<D, NotIt> {
    let text = without_mark(text);
    let Headed { kind, version, .. }: Headed<serde::de::IgnoredAny> = serde_json::from_slice(text)?;
    if kind != D::KIND || version != D::VERSION {
        return Err(NotIt::Other {
            kind,
            version,
            expected: D::KIND,
            known: D::VERSION,
        });
    }
    Ok(serde_json::from_slice::<Headed<D>>(text)?.body)
}

/// A text without the byte order mark that some editors put before it; RFC 8259, section 8.1, lets a reader ignore it.
pub fn without_mark(text: &[u8]) -> &[u8] {
    text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text)
}

/// The JSON Schema of a document, with its kind and version fixed.
pub fn schema<D: Document>() -> serde_json::Value {
    let mut schema = schemars::schema_for!(Headed<D>).to_value();
    if let Some(properties) = schema.get_mut("properties") {
        properties["kind"] = serde_json::json!({ "const": D::KIND });
        properties["version"] = serde_json::json!({ "const": D::VERSION });
    }
    schema["title"] = serde_json::json!(format!("cellkeep {} {}", D::KIND, D::VERSION));
    schema
}

/// A document that cannot be written as JSON: a value of it has no JSON form.
impl Blame for serde_json::Error {
    fn who(&self) -> Who {
        Who::Caller
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_names_of_types_are_no_words() {
        for (says, words) in [
            (
                "invalid type: string \"x\", expected usize at line 3 column 5",
                "invalid type: string \"x\", expected a whole number, not negative at line 3 column 5",
            ),
            (
                "invalid type: map, expected a sequence at line 1 column 2",
                "invalid type: a group of named values, expected a list at line 1 column 2",
            ),
            (
                "invalid type: integer `1`, expected struct Place at line 1 column 2",
                "invalid type: integer `1`, expected a group of named values at line 1 column 2",
            ),
            (
                "expected `,` or `}` at line 1 column 2",
                "expected `,` or `}` at line 1 column 2",
            ),
            ("expected value", "expected value"),
        ] {
            assert_eq!(in_words(says), words);
        }
    }
}
