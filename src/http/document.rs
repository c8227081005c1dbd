//! `/api/v1/openapi.json`: the interface as a document of `OpenAPI` 3.1, made from the routes themselves.
//!
//! A route of the interface is added by [`Api::routes`] alone, which takes its description along with its handler, so that none
//! can be without. What is the same for many operations is put in here, by rule: see [`complete`].

use std::sync::LazyLock;

use axum::Router;
use axum::http::header::CONTENT_TYPE;
use axum::response::IntoResponse;
use axum::routing::MethodRouter;
use utoipa::OpenApi;
use utoipa::openapi::path::{Operation, Parameter, ParameterIn};
use utoipa::openapi::{self, Components, PathItem, RefOr};
use utoipa_axum::router::{OpenApiRouter, UtoipaMethodRouter};

use super::desk::Desk;
use super::error::Problem;
use super::jobs::JobBody;
use crate::foreman::LineView;

mod shared;

pub(super) use shared::{
    Binary, CyclePath, IfMatch, JobMade, JobNow, JobPath, KeyPath, LineNow, LinePath, ProofPath, Stale,
};

/// Where the interface lives.
pub(super) const ROOT: &str = "/api/v1";

const ABOUT: &str = "Lines that run filament printers with a conveyor-belt bed, and the jobs that they make.\n\n\
    Times are milliseconds since 1970-01-01T00:00:00Z. Every error is a problem (RFC 9457). On any address but the daemon's own \
    machine a key is required. What changes a job takes its `ETag` as `If-Match`, so that two people do not overwrite each \
    other. What is sent again with the same `Idempotency-Key` (draft-ietf-httpapi-idempotency-key-header: a quoted string) is done once: \
    every `POST`, `PATCH` and `DELETE` may bear one, and it is kept for a day; what is done with keys and proofs \
    takes no notice of it, and a proof is queued once in any case. `HEAD` is answered wherever `GET` is.";

/// What the document says of the whole.
#[derive(OpenApi)]
#[openapi(
    info(title = "Nosebar", description = ABOUT),
    servers((url = "/", description = "The daemon that this document comes from.")),
    components(schemas(Problem, JobBody, LineView)),
    tags(
        (name = "jobs", description = "Sliced files, and how many copies of them are made."),
        (name = "lines", description = "Printers with their belts: what they do, and what a person can tell them."),
        (name = "journal", description = "What happened, in order."),
        (name = "forecast", description = "When everything will be done."),
        (name = "events", description = "What happens, as it happens."),
        (name = "proofs", description = "Files that are looked at before they are queued."),
        (name = "keys", description = "Who may look and operate."),
        (name = "health", description = "Whether the daemon is at work."),
        (name = "openapi.json", description = "This document."),
    )
)]
struct Head;

/// Handlers of one address below [`ROOT`], and what describes them.
pub(super) struct Described {
    pub(super) address: String,
    pub(super) handlers: MethodRouter<Desk>,
    pub(super) describe: fn() -> UtoipaMethodRouter<Desk>,
}

/// `routes!(show_job, patch_job)`: handlers of one address, by what `#[utoipa::path]` says of each. Nothing is described until
/// somebody asks for the document: that takes more code than all handlers together, and nobody may ever ask.
macro_rules! routes {
    ($($handler:ident),+) => {{
        use utoipa_axum::PathItemExt as _;
        let mut handlers = axum::routing::MethodRouter::new();
        let [address, ..] = [$(utoipa_axum::paste! { <[<__path_ $handler>] as utoipa::Path>::path() }),+];
        $(utoipa_axum::paste! {
            for method in <[<__path_ $handler>] as utoipa::Path>::methods() {
                handlers = handlers.on(method.to_method_filter(), $handler);
            }
        })+
        $crate::http::document::Described { address, handlers, describe: || utoipa_axum::routes!($($handler),+) }
    }};
}
pub(super) use routes;

/// Routes of the interface, each with its description.
#[derive(Default)]
pub(super) struct Api {
    router: Router<Desk>,
    described: Vec<fn() -> UtoipaMethodRouter<Desk>>,
}

impl Api {
    pub(super) fn new() -> Self {
        Self::default()
    }

    /// Adds the handlers of one address below [`ROOT`]: `Api::new().routes(routes!(show_job, patch_job))`.
    pub(super) fn routes(mut self, Described { address, handlers, describe }: Described) -> Self {
        // Whole addresses: a router within another would write the address of every request anew.
        self.router = self.router.route(&format!("{ROOT}{address}"), handlers);
        self.described.push(describe);
        self
    }

    pub(super) fn merge(mut self, other: Self) -> Self {
        self.router = self.router.merge(other.router);
        self.described.extend(other.described);
        self
    }

    /// Takes bodies of any length here: what limits them is the handler's business, and a key of idempotency goes with the file.
    pub(super) fn for_files(mut self) -> Self {
        self.router = self.router.layer(axum::extract::DefaultBodyLimit::disable());
        self.router = self.router.layer(axum::middleware::from_fn(super::once::without_body));
        self
    }

    pub(super) fn into_router(self) -> Router<Desk> {
        self.router
    }

    fn into_document(self) -> openapi::OpenApi {
        let mut described = OpenApiRouter::with_openapi(Head::openapi());
        for describe in self.described {
            let (schemas, mut paths, handlers) = describe();
            let below = std::mem::take(&mut paths.paths);
            paths.paths = below.into_iter().map(|(address, item)| (format!("{ROOT}{address}"), item)).collect();
            described = described.merge(OpenApiRouter::new().routes((schemas, paths, handlers)));
        }
        let mut document = described.into_openapi();
        complete(&mut document);
        document
    }
}

pub(super) fn router() -> Api {
    Api::new().routes(routes!(show_document))
}

/// This document
#[utoipa::path(get, path = "/openapi.json",
    responses((status = 200, description = "The document.", content_type = "application/json", body = serde_json::Value)))]
async fn show_document() -> impl IntoResponse {
    static TEXT: LazyLock<String> = LazyLock::new(|| {
        let document = super::serve::api().into_document();
        document.to_json().expect("invariant: the document is JSON")
    });
    ([(CONTENT_TYPE, "application/json")], TEXT.as_str())
}

/// Puts in what follows from an operation's method, address, parameters and body.
fn complete(document: &mut openapi::OpenApi) {
    let components = document.components.get_or_insert_with(Components::new);
    shared::put_components(components);
    document.security = Some(shared::securities());
    for (address, item) in &mut document.paths.paths {
        let tag = address.trim_start_matches(ROOT).trim_start_matches('/').split('/').next().unwrap_or("").to_owned();
        let within = address.contains('{');
        for (safe, operation) in operations(item) {
            operation.tags = Some(vec![tag.clone()]);
            operation.parameters.iter_mut().flatten().for_each(shared::never_null);
            for status in statuses(operation, safe, within) {
                shared::add_problem(operation, status);
            }
        }
    }
}

/// What can go wrong, by the operation's shape. What else can is said beside its handler.
fn statuses(operation: &Operation, safe: bool, within: bool) -> Vec<u16> {
    let has = |wanted: fn(&Parameter) -> bool| {
        operation.parameters.iter().flatten().any(|given| matches!(given, RefOr::T(given) if wanted(given)))
    };
    let query = has(|given| given.parameter_in == ParameterIn::Query);
    let precondition = has(|given| given.name == "If-Match");
    let body = operation.request_body.is_some();
    // Who asks, how often, and whether there is anybody who answers.
    let mut statuses = vec![401, 403, 421, 429, 500, 503, 507];
    let mut when = |given: bool, those: &[u16]| statuses.extend(those.iter().filter(|_| given));
    when(within || query || body, &[400]);
    when(within, &[404]);
    when(within && !safe, &[409]);
    when(precondition, &[412]);
    when(query || body, &[422]);
    // The key of idempotency.
    when(!safe, &[400, 422]);
    when(body, &[413, 415]);
    statuses
}

/// The operations of an address, and whether they change nothing.
fn operations(item: &mut PathItem) -> impl Iterator<Item = (bool, &mut Operation)> {
    let PathItem { get, head, options, post, put, patch, delete, .. } = item;
    let safe = [get, head, options].into_iter().flatten().map(|operation| (true, operation));
    safe.chain([post, put, patch, delete].into_iter().flatten().map(|operation| (false, operation)))
}
