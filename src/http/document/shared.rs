//! What many operations have in common: parameters, answers, problems, and how a key is shown.

use std::collections::BTreeMap;

use utoipa::openapi::header::Header;
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::response::{Response, ResponseBuilder};
use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, SchemaFormat, SchemaType, Type};
use utoipa::openapi::security::{
    ApiKey, ApiKeyValue, HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme,
};
use utoipa::openapi::{Components, ContentBuilder, Ref, RefOr, Required, Schema};
use utoipa::{IntoParams, IntoResponses, PartialSchema, ToSchema};

/// Parameter: `{id}`, a job's number.
pub(in crate::http) struct JobPath;

/// Parameter: `{cycle}`, the number of a copy's way through a line.
pub(in crate::http) struct CyclePath;

/// Parameter: `{id}`, a proof's name.
pub(in crate::http) struct ProofPath;

/// Parameter: `{id}`, a key's number.
pub(in crate::http) struct KeyPath;

/// Parameter: `{name}`, a line's name.
pub(in crate::http) struct LinePath;

/// Parameter: `If-Match`, for what changes a job.
pub(in crate::http) struct IfMatch;

/// Answer: 200 with the job as it is now, and its version.
pub(in crate::http) struct JobNow;

/// Answer: 201 with the new job, its version and its address.
pub(in crate::http) struct JobMade;

/// Answer: 200 with the line as it is now.
pub(in crate::http) struct LineNow;

/// Answer: 412, for what names a version or moment in its body.
pub(in crate::http) struct Stale;

/// Bytes that are no text for JSON: a file, a picture.
pub(in crate::http) struct Binary;

type Parameters = Vec<Parameter>;
type Responses = BTreeMap<String, RefOr<Response>>;

impl IntoParams for JobPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Parameters {
        vec![parameter("id", ParameterIn::Path, "The job's number.", number())]
    }
}

impl IntoParams for CyclePath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Parameters {
        vec![parameter("cycle", ParameterIn::Path, "The number of the copy's cycle, as the job tells it.", number())]
    }
}

impl IntoParams for ProofPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Parameters {
        let name = text().min_length(Some(1)).max_length(Some(64));
        vec![parameter("id", ParameterIn::Path, "The proof's name, as it was answered.", name)]
    }
}

impl IntoParams for KeyPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Parameters {
        vec![parameter("id", ParameterIn::Path, "The key's number.", number())]
    }
}

impl IntoParams for LinePath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Parameters {
        let name = text().pattern(Some("^[a-z0-9-]{1,32}$"));
        vec![parameter("name", ParameterIn::Path, "The line's name.", name)]
    }
}

impl IntoParams for IfMatch {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Parameters {
        let what = "The `ETag` of the job as it was seen, or `*`; when another one is there now, nothing is changed.";
        let tags = text().pattern(Some(r#"^(\*|"[0-9]+"(, *"[0-9]+")*)$"#));
        vec![parameter("If-Match", ParameterIn::Header, what, tags)]
    }
}

impl IntoResponses for JobNow {
    fn responses() -> Responses {
        [("200".to_owned(), job("The job as it is now.").build().into())].into()
    }
}

impl IntoResponses for JobMade {
    fn responses() -> Responses {
        let place = header("The job's address.", text().pattern(Some("^/api/v1/jobs/[0-9]+$")));
        [("201".to_owned(), job("The new job.").header("Location", place).build().into())].into()
    }
}

impl IntoResponses for Stale {
    fn responses() -> Responses {
        [("412".to_owned(), problem(412))].into()
    }
}

impl IntoResponses for LineNow {
    fn responses() -> Responses {
        let line = answer("The line as it is now.", "application/json", "LineView");
        [("200".to_owned(), line.build().into())].into()
    }
}

impl PartialSchema for Binary {
    fn schema() -> RefOr<Schema> {
        Schema::Object(text().format(Some(SchemaFormat::KnownFormat(KnownFormat::Binary))).build()).into()
    }
}

impl ToSchema for Binary {}

/// A parameter may be left out; it is never `null`.
pub(super) fn never_null(parameter: &mut RefOr<Parameter>) {
    let RefOr::T(Parameter { schema: Some(RefOr::T(Schema::Object(schema))), .. }) = parameter else { return };
    if let SchemaType::Array(types) = &mut schema.schema_type {
        types.retain(|kind| *kind != Type::Null);
        if let [one] = &types[..] {
            schema.schema_type = SchemaType::Type(one.clone());
        }
    }
}

/// A problem's status, its name among the components, and when it comes.
const PROBLEMS: [(u16, &str, &str); 14] = [
    (400, "BadRequest", "The request cannot be read: its address, its query, its body, or the end of it."),
    (401, "NoKey", "The key is wrong or was not sent, and one is required here."),
    (403, "Forbidden", "A page of another origin asks, or the key does not give this right."),
    (404, "NotFound", "There is nothing by this name or number."),
    (409, "Conflict", "It makes no sense in the state in which it is now; the detail says which."),
    (412, "Stale", "Somebody changed it first: what is there now is not what was named. Read it again."),
    (413, "TooLarge", "The body is longer than is taken."),
    (415, "UnsupportedMediaType", "The body is of another content type than expected."),
    (421, "WrongHost", "The Host is neither an address, nor localhost, nor a name from the config."),
    (422, "Invalid", "It was understood, and a value in it cannot be; the detail says which and why."),
    (429, "TooManyRequests", "Too many failed tries from this address; wait."),
    (500, "Internal", "Something broke inside; the daemon's log says what."),
    (503, "Busy", "Too much to do, or shutting down. Nothing was changed; try again in a moment."),
    (507, "StoreFailed", "The disk is full, or the database or file store failed. Nothing was changed."),
];

/// The problems among the components, and how a key is shown.
pub(super) fn put_components(components: &mut Components) {
    for (status, name, when) in PROBLEMS {
        let problem = answer(when, "application/problem+json", "Problem");
        let problem = match status {
            401 => problem
                .header("WWW-Authenticate", header("A challenge by RFC 6750: `Bearer realm=\"nosebar\"`.", text())),
            429 | 503 => problem.header("Retry-After", header("Seconds to wait.", text().pattern(Some("^[0-9]+$")))),
            _ => problem,
        };
        components.responses.insert(name.to_owned(), problem.build().into());
    }
    let bearer = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).description(Some("The key, by RFC 6750.")).build();
    let cookie =
        ApiKeyValue::with_description("nosebar-key", "The key, as the cookie that `/key/KEY` exchanges it for.");
    components.security_schemes.extend([
        ("bearer".to_owned(), SecurityScheme::Http(bearer).into()),
        ("cookie".to_owned(), SecurityScheme::ApiKey(ApiKey::Cookie(cookie)).into()),
    ]);
}

/// Nothing on the daemon's own machine; elsewhere one of two ways to show a key.
pub(super) fn securities() -> Vec<SecurityRequirement> {
    let by = |name: &str| SecurityRequirement::new(name, Vec::<String>::new());
    vec![SecurityRequirement::default(), by("bearer"), by("cookie")]
}

/// Documents a problem, unless the handler's own words are there already.
pub(super) fn add_problem(operation: &mut Operation, status: u16) {
    operation.responses.responses.entry(status.to_string()).or_insert_with(|| problem(status));
}

fn problem(status: u16) -> RefOr<Response> {
    let (_, name, _) = PROBLEMS.iter().find(|(known, ..)| *known == status).expect("invariant: it is in the table");
    RefOr::Ref(Ref::new(format!("#/components/responses/{name}")))
}

fn job(what: &str) -> ResponseBuilder {
    let tag = header("The job's version, for `If-Match`.", text().pattern(Some("^\"[0-9]+\"$")));
    answer(what, "application/json", "JobBody").header("ETag", tag)
}

fn parameter(name: &str, place: ParameterIn, what: &str, schema: ObjectBuilder) -> Parameter {
    let required = if place == ParameterIn::Path { Required::True } else { Required::False };
    let parameter = ParameterBuilder::new().name(name).parameter_in(place).required(required);
    parameter.description(Some(what)).schema(Some(Schema::Object(schema.build()))).build()
}

fn answer(what: &str, media: &str, schema: &str) -> ResponseBuilder {
    let content = ContentBuilder::new().schema(Some(Ref::from_schema_name(schema))).build();
    ResponseBuilder::new().description(what).content(media, content)
}

fn header(what: &str, schema: ObjectBuilder) -> Header {
    let mut header = Header::new(Schema::Object(schema.build()));
    header.description = Some(what.to_owned());
    header
}

/// A number that counts things.
fn number() -> ObjectBuilder {
    ObjectBuilder::new()
        .schema_type(Type::Integer)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::Int64)))
        .minimum(Some(1))
}

fn text() -> ObjectBuilder {
    ObjectBuilder::new().schema_type(Type::String)
}
