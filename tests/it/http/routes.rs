//! Every route, read from the program's own text: a new one is in here by itself.

use std::fs;
use std::path::Path;

/// Every route with its method, as it is written: names in braces are not filled in.
pub(super) fn routes() -> Vec<(&'static str, String)> {
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http")];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for file in fs::read_dir(&folder).expect("a folder of the room") {
            let file = file.expect("a file").path();
            if file.is_dir() {
                folders.push(file);
                continue;
            }
            let text = fs::read_to_string(&file).expect("a text");
            found.extend(of_interface(&text));
            found.extend(of_pages(&text));
        }
    }
    assert!(found.len() >= 60, "{found:?}");
    for known in [
        ("GET", "/"),
        ("GET", "/api/v1/jobs"),
        ("POST", "/api/v1/jobs"),
        ("POST", "/do/proofs"),
        ("GET", "/api/v1/health"),
        ("GET", "/api/v1/events"),
        ("POST", "/api/v1/lines/{name}/jog"),
        ("POST", "/do/lines/{name}/belt/mark-flaw"),
        ("GET", "/keys"),
        ("PATCH", "/api/v1/keys/{id}"),
        ("POST", "/key/forget"),
    ] {
        assert!(found.contains(&(known.0, known.1.to_owned())), "{known:?} is not among them");
    }
    found
}

const METHODS: [(&str, &str); 5] =
    [("get", "GET"), ("post", "POST"), ("patch", "PATCH"), ("put", "PUT"), ("delete", "DELETE")];

/// Operations of the interface, as their descriptions say.
fn of_interface(text: &str) -> Vec<(&'static str, String)> {
    let operation = |said: &str| {
        let (method, rest) = said.split_once(',').expect("a method");
        let (_, method) = METHODS.into_iter().find(|(word, _)| *word == method.trim()).expect("a known method");
        let address = rest.split('"').nth(1).expect("an address in quotes");
        (method, format!("/api/v1{address}"))
    };
    text.split("#[utoipa::path(").skip(1).map(operation).collect()
}

/// Pages and forms, as they are added.
fn of_pages(text: &str) -> Vec<(&'static str, String)> {
    let mut found = Vec::new();
    for route in text.split(".route(").skip(1) {
        let address = route.split('"').nth(1).expect("an address in quotes");
        assert!(!address.starts_with("/api"), "{address} is added without its description: use `Api::routes`");
        // Its handlers: up to the end of the call.
        let handlers = route.lines().next().expect("a line");
        let methods = METHODS.into_iter().filter(|(call, _)| handlers.contains(&format!("{call}(")));
        found.extend(methods.map(|(_, method)| (method, address.to_owned())));
    }
    found
}

/// The routes that change something, but for those by which a key is handed in or back.
pub(super) fn changing() -> Vec<(&'static str, String)> {
    routes().into_iter().filter(|(method, route)| *method != "GET" && !is_open(route)).collect()
}

/// Whether everybody may use it, with or without a key.
pub(super) fn is_open(route: &str) -> bool {
    ["/key", "/key/forget", "/key/{key}", "/static/{name}", "/manifest.webmanifest", "/problems/{code}"]
        .contains(&route)
}

/// The address of a route, with names that exist put in.
pub(super) fn filled(route: &str) -> String {
    let what = if route.contains("/jobs/") { "cancel" } else { "stop" };
    let names = [
        ("{name}", "belt-1"),
        ("{id}", "1"),
        ("{cycle}", "1"),
        ("{what}", what),
        ("{topic}", "loop"),
        ("{key}", "guess"),
        ("{code}", "stale"),
    ];
    names.iter().fold(route.to_owned(), |address, (name, value)| address.replace(name, value))
}
