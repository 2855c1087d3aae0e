//! JSON documents: each names its kind and version, and each has a published schema.

use schemars::JsonSchema;
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
