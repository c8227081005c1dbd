//! As much of JSON Schema 2020-12 as the document uses, and one thing more: a member that no schema names is a fault.

use serde_json::Value;

/// Follows every reference under `value`; their number.
pub(super) fn check_refs(document: &Value, value: &Value) -> usize {
    let inner = match value {
        Value::Object(members) => members.values().map(|member| check_refs(document, member)).sum(),
        Value::Array(members) => members.iter().map(|member| check_refs(document, member)).sum(),
        _ => 0,
    };
    let Some(place) = value.get("$ref").and_then(Value::as_str) else { return inner };
    let path = place.strip_prefix('#').unwrap_or_else(|| panic!("{place} leads out of the document"));
    assert!(document.pointer(path).is_some(), "{place} leads to nothing");
    inner + 1
}

/// What of `found` is not as `schema` says.
pub(super) fn faults(document: &Value, schema: &Value, found: &Value) -> Vec<String> {
    let mut faults = Vec::new();
    Reader { document, strict: true, faults: &mut faults }.read(schema, found, "");
    faults
}

struct Reader<'a> {
    document: &'a Value,
    /// Whether a member that the schema does not name is a fault.
    strict: bool,
    faults: &'a mut Vec<String>,
}

impl Reader<'_> {
    fn read(&mut self, schema: &Value, found: &Value, at: &str) {
        self.check(schema, found, at);
        if let Some(members) = found.as_object() {
            for (name, value) in members {
                match self.member(schema, name, found) {
                    Some(inner) => self.read(&inner, value, &format!("{at}/{name}")),
                    None if !self.strict => {}
                    None => self.faults.push(format!("{at}/{name} is not in the document")),
                }
            }
        }
        if let (Some(items), Some(of)) = (found.as_array(), self.resolved(schema).get("items").cloned()) {
            for (number, item) in items.iter().enumerate() {
                self.read(&of, item, &format!("{at}/{number}"));
            }
        }
    }

    fn resolved(&self, schema: &Value) -> Value {
        match schema.get("$ref").and_then(Value::as_str) {
            Some(place) => self.document.pointer(place.trim_start_matches('#')).cloned().unwrap_or_default(),
            None => schema.clone(),
        }
    }

    /// Type, range, keywords and required members of one value.
    fn check(&mut self, schema: &Value, found: &Value, at: &str) {
        let schema = self.resolved(schema);
        for part in parts(&schema, "allOf") {
            self.check(&part, found, at);
        }
        let ways = parts(&schema, "oneOf");
        if !ways.is_empty() && ways.iter().filter(|way| self.fits(way, found)).count() != 1 {
            self.faults.push(format!("{at}: {found} is not exactly one of {} ways", ways.len()));
        }
        let mut expect = |good: bool, what: &str| {
            if !good {
                self.faults.push(format!("{at}: {found} against {what} of {schema}"));
            }
        };
        expect(has_type(&schema["type"], found), "type");
        if let Some(keywords) = schema["enum"].as_array() {
            expect(keywords.contains(found), "enum");
        }
        if let Some(number) = found.as_f64() {
            expect(schema["minimum"].as_f64().is_none_or(|least| number >= least), "minimum");
            expect(schema["maximum"].as_f64().is_none_or(|most| number <= most), "maximum");
        }
        if found.is_object() {
            for name in parts(&schema, "required") {
                expect(name.as_str().is_some_and(|name| found.get(name).is_some()), "required");
            }
        }
    }

    /// The schema of a member, wherever it is named.
    fn member(&self, schema: &Value, name: &str, whole: &Value) -> Option<Value> {
        let schema = self.resolved(schema);
        let named = schema["properties"].get(name).cloned();
        let more = || schema.get("additionalProperties").filter(|more| more.is_object()).cloned();
        // A schema without a word allows anything.
        let anything = || is_open(&schema).then_some(Value::Null);
        let inner = || parts(&schema, "allOf").iter().find_map(|part| self.member(part, name, whole));
        let way = || {
            let ways = parts(&schema, "oneOf");
            let way = ways.iter().find(|way| self.fits(way, whole))?;
            self.member(way, name, whole)
        };
        named.or_else(more).or_else(inner).or_else(way).or_else(anything)
    }

    /// Whether a value has what the schema says, whatever else it has.
    fn fits(&self, schema: &Value, found: &Value) -> bool {
        let mut faults = Vec::new();
        Reader { document: self.document, strict: false, faults: &mut faults }.read(schema, found, "");
        faults.is_empty()
    }
}

fn is_open(schema: &Value) -> bool {
    ["type", "properties", "allOf", "oneOf"].iter().all(|word| schema.get(word).is_none())
}

fn parts(schema: &Value, word: &str) -> Vec<Value> {
    schema[word].as_array().cloned().unwrap_or_default()
}

fn has_type(wanted: &Value, found: &Value) -> bool {
    let is = |name: &str| match name {
        "null" => found.is_null(),
        "boolean" => found.is_boolean(),
        "integer" => found.is_i64() || found.is_u64(),
        "number" => found.is_number(),
        "string" => found.is_string(),
        "array" => found.is_array(),
        "object" => found.is_object(),
        other => panic!("{other} is no type"),
    };
    match wanted {
        Value::String(name) => is(name),
        Value::Array(names) => names.iter().any(|name| name.as_str().is_some_and(is)),
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn the_checker_sees_what_is_wrong() {
        let document = json!({ "a": { "type": "object", "required": ["x"], "properties": {
            "x": { "type": ["integer", "null"], "minimum": 1 }, "y": { "enum": ["p"] } } } });
        let schema = json!({ "$ref": "#/a" });
        let of = |found: Value| faults(&document, &schema, &found).len();
        assert_eq!(of(json!({ "x": 1, "y": "p" })) + of(json!({ "x": null })), 0);
        for wrong in
            [json!({ "x": 0 }), json!({ "x": 1.5 }), json!({}), json!({ "x": 1, "y": "q" }), json!({ "x": 1, "z": 1 })]
        {
            assert_eq!(of(wrong.clone()), 1, "{wrong}");
        }
        assert_eq!(
            faults(&document, &json!({ "oneOf": [{ "type": "null" }, schema] }), &json!({ "x": 1, "z": 1 })).len(),
            1
        );
    }
}
