//! Every body of the API is an object with named fields, at every level: this sends each body with lists in
//! place of its objects, wherever the description has objects.

use crate::testing::{Reply, TestShop};
use axum::http::Method;
use serde_json::{Map, Value, json};

/// A path with a valid value in each of its places.
fn filled(path: &str) -> String {
    path.replace("{code}", "COWL")
        .replace("{id}", "1")
        .replace("{line}", "1")
        .replace("{tender}", "1")
        .replace("{role}", "counter")
}

fn resolved<'a>(document: &'a Value, schema: &'a Value) -> &'a Value {
    // An optional value is described as null or the value itself.
    let options = schema["oneOf"].as_array().or_else(|| schema["anyOf"].as_array());
    if let Some(thing) = options.and_then(|all| all.iter().find(|s| s["type"] != "null")) {
        return resolved(document, thing);
    }
    match schema["$ref"].as_str() {
        Some(reference) => resolved(document, document.pointer(&reference[1..]).expect("a schema")),
        None => schema,
    }
}

fn is(schema: &Value, name: &str) -> bool {
    match &schema["type"] {
        Value::String(one) => one == name,
        Value::Array(many) => many.iter().any(|one| one == name),
        _ => false,
    }
}

/// A body with every described field, and the places of all objects in it.
fn body(document: &Value, schema: &Value, at: &str, objects: &mut Vec<String>) -> Value {
    let schema = resolved(document, schema);
    if is(schema, "object") {
        objects.push(at.to_owned());
        let members = schema["properties"].as_object().cloned().unwrap_or_default();
        let member = |(name, schema): (&String, &Value)| {
            (name.clone(), body(document, schema, &format!("{at}/{name}"), objects))
        };
        return Value::Object(members.iter().map(member).collect::<Map<_, _>>());
    }
    if is(schema, "array") {
        return json!([body(document, &schema["items"], &format!("{at}/0"), objects)]);
    }
    if is(schema, "boolean") { json!(true) } else { json!("1") }
}

/// The described bodies: method, path and schema.
fn bodies(document: &Value) -> Vec<(Method, String, Value)> {
    let paths = document["paths"].as_object().expect("paths");
    let operations = paths.iter().flat_map(|(path, operations)| {
        operations.as_object().expect("operations").iter().map(move |(method, o)| (path, method, o))
    });
    let described = operations.filter_map(|(path, method, operation)| {
        let schema = operation.pointer("/requestBody/content/application~1json/schema")?;
        let method = Method::from_bytes(method.to_uppercase().as_bytes()).expect("a method");
        Some((method, path.clone(), schema.clone()))
    });
    described.collect()
}

async fn send(shop: &TestShop, method: &Method, path: &str, body: &Value) -> Reply {
    let key =
        format!("{path}{body}").bytes().fold(0_u64, |sum, b| sum.wrapping_mul(31).wrapping_add(b.into()));
    let key = format!("k{key}");
    let headers = [("content-type", "application/json"), ("idempotency-key", &key), ("if-match", "\"1\"")];
    shop.ask(method.clone(), &filled(path), &headers, body.to_string().into()).await
}

#[tokio::test]
async fn a_list_in_place_of_an_object_is_refused_at_every_level_of_every_body() {
    let shop = TestShop::open().await.with_feed_adapter();
    let document = shop.get("/api/openapi.json").await.json();
    let mut sent = 0;
    for (method, path, schema) in bodies(&document) {
        if path == crate::api::feeds::orders::PATH {
            continue;
        }
        let mut objects = Vec::new();
        let whole = body(&document, &schema, "", &mut objects);
        assert!(!objects.is_empty(), "{path} has no object");
        for place in objects {
            let object = whole.pointer(&place).and_then(Value::as_object).expect("an object");
            for list in [json!([]), Value::Array(object.values().cloned().collect())] {
                let mut wrong = whole.clone();
                *wrong.pointer_mut(&place).expect("its place") = list;
                let reply = send(&shop, &method, &path, &wrong).await;
                reply.expect_fault(&format!("#{place}"));
                let words = reply.json()["detail"].as_str().unwrap_or_default().to_owned();
                assert!(
                    words.contains("an object with its fields by name"),
                    "{method} {path}{place}: {words}"
                );
                sent += 1;
            }
        }
    }
    // There were 14 bodies when this was written, some with objects in them.
    assert!(sent >= 2 * 14, "{sent}");
}

#[tokio::test]
async fn an_unknown_field_is_refused_by_its_name_at_every_level_of_every_body() {
    let shop = TestShop::open().await.with_feed_adapter();
    let document = shop.get("/api/openapi.json").await.json();
    for (method, path, schema) in bodies(&document) {
        if path == crate::api::feeds::orders::PATH {
            continue;
        }
        let mut objects = Vec::new();
        let whole = body(&document, &schema, "", &mut objects);
        for place in objects {
            let mut wrong = whole.clone();
            let object = wrong.pointer_mut(&place).and_then(Value::as_object_mut).expect("an object");
            object.clear();
            object.insert("madeUp".to_owned(), json!("1"));
            let reply = send(&shop, &method, &path, &wrong).await;
            reply.expect_fault(&format!("#{place}/madeUp"));
        }
    }
}

// A line as a list, with its fields in the order of the code. This used to ring up a sale.
#[tokio::test]
async fn a_sale_written_as_a_list_rings_nothing_up() {
    let shop = TestShop::open().await;
    let line = json!(["goods", "COWL", "1", null, null, null, null, null]);
    let tender = json!(["cash", "50.00", "", null]);
    let sale = json!(["store", [line], null, null, [tender], null, null, ""]);
    let reply = send(&shop, &Method::POST, "/api/sales", &sale).await;
    reply.expect_fault("#");
    let sales = shop.get("/api/sales").await.json();
    assert_eq!(sales["sales"].as_array().map(Vec::len), Some(0), "{sales}");
}
