//! Every route, read from the program's own text: a new one is in here by itself.

use std::fs;
use std::path::Path;

/// Every route with its method, as it is written: names in braces are not filled in.
pub(super) fn routes() -> Vec<(&'static str, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http");
    let serve = fs::read_to_string(folder.join("serve.rs")).expect("the routes are joined there");
    let (_, api) = serve.split_once("let api = ").expect("the API's router");
    let (api, _) = api.split_once(';').expect("its end");
    let mut found = Vec::new();
    for file in fs::read_dir(&folder).expect("the folder of the room") {
        let file = file.expect("a file").path();
        let text = fs::read_to_string(&file).expect("a text");
        let room = file.file_stem().expect("a name").to_str().expect("a plain name").to_owned();
        for route in text.split(".route(").skip(1) {
            let address = route.split('"').nth(1).expect("an address in quotes");
            let whole = ["/do/", "/api/"].iter().any(|start| address.starts_with(start));
            let of_api = api.contains(&format!("{room}::")) || api.contains(&format!(".route(\"{address}\""));
            let prefix = if of_api && !whole { "/api/v1" } else { "" };
            // Its handlers: up to the end of the call.
            let handlers = route.lines().next().expect("a line");
            for (call, method) in
                [("get(", "GET"), ("post(", "POST"), ("patch(", "PATCH"), ("put(", "PUT"), ("delete(", "DELETE")]
            {
                if handlers.contains(call) {
                    found.push((method, format!("{prefix}{address}")));
                }
            }
        }
    }
    assert!(found.len() >= 60, "{found:?}");
    for known in [
        ("GET", "/"),
        ("GET", "/api/v1/jobs"),
        ("POST", "/api/v1/jobs"),
        ("POST", "/do/upload"),
        ("GET", "/api/v1/health"),
        ("GET", "/api/v1/events"),
        ("POST", "/api/v1/lines/{name}/jog"),
        ("POST", "/do/lines/{name}/belt/mark-flaw"),
        ("GET", "/keys"),
        ("PATCH", "/api/v1/keys/{id}"),
        ("POST", "/key/forget"),
    ] {
        assert!(found.contains(&(known.0, known.1.to_owned())), "{known:?} is not among {found:?}");
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
        ("{what}", what),
        ("{topic}", "loop"),
        ("{key}", "guess"),
        ("{code}", "stale"),
    ];
    names.iter().fold(route.to_owned(), |address, (name, value)| address.replace(name, value))
}
