//! `/api/v1/proofs`: files that have come in and been surveyed, and wait for a person's word. The page's forms for the same.

use std::sync::Arc;

use axum::extract::{DefaultBodyLimit, Form, Path, Query, Request, State};
use axum::http::header::LOCATION;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::post;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::body::{Object, or_none};
use super::desk::{Desk, line_name, shorten};
use super::document::{Api, Binary, JobMade, ProofPath, routes};
use super::error::HttpError;
use super::jobs::job_answer;
use super::picture::{PictureQuery, answer};
use super::upload::{A_LITTLE_PART, Asked, Pieces, Receive, UploadFields, UploadForm, receive};
use crate::foreman::Answer;
use crate::infeed::{COPIES_MAX, Proof, TakeOptions, Wish};
use crate::job::{Finding, Job, LineName, NAME_MAX, Survey};
use crate::units::UnixMillis;

pub(super) fn router() -> Api {
    Api::new()
        .routes(routes!(list_proofs))
        .routes(routes!(show_proof, discard_proof))
        .routes(routes!(send_proof_picture))
        .routes(routes!(queue_proof))
}

pub(super) fn forms() -> Router<Desk> {
    Router::new()
        .route("/do/proofs/{id}/queue", post(queue_from_page))
        .route("/do/proofs/{id}/discard", post(discard_from_page))
}

/// `GET` of the same address is with the other proofs; the two merge.
pub(super) fn api_uploads() -> Api {
    Api::new().routes(routes!(upload_proof)).for_files()
}

pub(super) fn form_uploads() -> Router<Desk> {
    Router::new().route("/do/proofs", post(upload_from_page)).layer(DefaultBodyLimit::disable())
}

/// A proof as programs see it.
#[derive(Serialize, ToSchema)]
struct ProofJson {
    id: String,
    /// What the sender calls the file.
    file_name: String,
    /// What its job would be called.
    name: String,
    /// Copies that it would be made unless others are asked for.
    copies: u32,
    at: UnixMillis,
    /// When it is thrown away by itself.
    expires: UnixMillis,
    bytes: u64,
    sha256: String,
    /// Length along the belt and width across it, mm; `null` if nothing is laid.
    along_mm: Option<f64>,
    across_mm: Option<f64>,
    height_mm: f64,
    layers: u32,
    /// Foretold time of a copy's print, s.
    time_s: f64,
    /// Filament of a copy, mm and g; the mass is `null` where the material is not known.
    filament_mm: f64,
    filament_g: Option<f64>,
    /// Material: as asked for with the file, else as its comments say.
    material: Option<String>,
    /// Bed temperature at which a part lets go, °C.
    release_c: Option<f64>,
    /// The line that it was sent for.
    line: Option<LineName>,
    hold: bool,
    concerns: Vec<Finding>,
    picture: String,
}

/// Proofs, as they wait.
#[derive(Serialize, ToSchema)]
struct ProofList {
    /// The newest first.
    proofs: Vec<ProofJson>,
}

/// How it is queued. What is absent is as it was asked for with the file.
#[derive(Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
struct QueueBody {
    #[schema(minimum = 1, maximum = 10_000)]
    copies: Option<u32>,
    /// Material keyword.
    material: Option<String>,
    /// Release temperature, °C.
    #[schema(minimum = 1, maximum = 150)]
    release_c: Option<f64>,
    /// The only line that may make it; `""` for any.
    #[schema(pattern = "^[a-z0-9-]{0,32}$")]
    line: Option<String>,
    hold: Option<bool>,
    #[schema(max_length = 200)]
    name: Option<String>,
    /// A person has read the concerns and agrees; otherwise a job with concerns comes in held.
    reviewed: bool,
}

/// A file is taken in and surveyed alone.
struct AsProof;

impl Receive for AsProof {
    type Taken = Arc<Proof>;

    async fn take(desk: &Desk, name: &str, body: Pieces, options: TakeOptions) -> Result<Arc<Proof>, HttpError> {
        Ok(desk.intake.take_proof(name, body, options, desk.upload_max).await?)
    }
}

impl Desk {
    /// The proof of an address.
    fn proof(&self, id: &str) -> Result<Arc<Proof>, HttpError> {
        self.intake.proof(id).ok_or_else(|| no_proof(id))
    }

    async fn queue_proof(&self, id: &str, wish: Wish) -> Result<Job, HttpError> {
        if let Some(copies) = wish.options.copies.filter(|copies| !(1..=COPIES_MAX).contains(copies)) {
            return Err(HttpError::Invalid { text: format!("copies is {copies}, expected 1 to {COPIES_MAX}") });
        }
        let length = wish.name.as_ref().map(|name| name.chars().count());
        if let Some(length) = length.filter(|length| *length > NAME_MAX) {
            return Err(HttpError::Invalid {
                text: format!("name has {length} characters, expected at most {NAME_MAX}"),
            });
        }
        match self.intake.queue_proof(id, wish).await?.ok_or_else(|| no_proof(id))? {
            Answer::Job(job) => Ok(*job),
            Answer::Line(_) | Answer::Commissioned(_) | Answer::Key(_) | Answer::Done => Err(HttpError::Internal),
        }
    }

    /// What a proof's part is likely to be made of, and where it lets go, °C. A line's own material counts last.
    pub(super) fn release_of(&self, proof: &Proof) -> Option<f64> {
        let live = self.handle.live();
        let line = match &proof.asked.line {
            Some(wanted) => live.lines.iter().find(|line| line.name == *wanted),
            None => live.lines.first().filter(|_| live.lines.len() == 1),
        };
        let of_line = line.and_then(|line| line.material.as_deref());
        let names = [proof.asked.material.as_deref(), proof.survey.material.as_deref(), of_line];
        proof.asked.release_c.or_else(|| self.intake.release_c(&names))
    }

    /// Length along the belt and width across it, mm.
    pub(super) fn size_of(&self, proof: &Proof) -> Option<(f64, f64)> {
        self.pictures.as_ref()?.on_belt_mm(proof.survey.footprint.as_ref()?, proof.asked.line.as_ref())
    }
}

fn no_proof(id: &str) -> HttpError {
    let id = shorten(id);
    let what = format!("proof {id:?} any more: it was queued or thrown away, or its hour is over; look at the queue");
    HttpError::NoSuch { what }
}

fn proof_json(desk: &Desk, proof: &Proof) -> ProofJson {
    let (survey, size) = (&proof.survey, desk.size_of(proof));
    ProofJson {
        id: proof.id.clone(),
        file_name: proof.file_name.clone(),
        name: proof.name.clone(),
        copies: proof.copies,
        at: proof.at,
        expires: proof.expires,
        bytes: survey.file.bytes,
        sha256: survey.file.sha256.clone(),
        along_mm: size.map(|(along, _)| along),
        across_mm: size.map(|(_, across)| across),
        height_mm: survey.height_mm,
        layers: survey.layers,
        time_s: survey.time_s,
        filament_mm: filament_mm(survey),
        filament_g: filament_g(survey),
        material: proof.asked.material.clone().or_else(|| survey.material.clone()),
        release_c: desk.release_of(proof),
        line: proof.asked.line.clone(),
        hold: proof.asked.hold,
        concerns: survey.concerns.clone(),
        picture: format!("/api/v1/proofs/{}/picture.png", proof.id),
    }
}

/// Filament of a copy, all tools together, mm.
pub(super) fn filament_mm(survey: &Survey) -> f64 {
    survey.filament.iter().map(|used| used.length_mm).sum()
}

/// Its mass, g, where that of every tool is known.
pub(super) fn filament_g(survey: &Survey) -> Option<f64> {
    let filament = &survey.filament;
    if filament.is_empty() { None } else { filament.iter().map(|used| used.mass_g).sum() }
}

/// Send a sliced file to be looked at
///
/// It is surveyed and kept for an hour, and becomes a job when a person says so. The file is sent as for `POST /jobs`.
#[utoipa::path(post, path = "/proofs",
    params(UploadFields, ("Content-Disposition" = Option<String>, Header,
        description = "`attachment; filename*=UTF-8''NAME`, by RFC 6266: the file's name where the query has none.")),
    request_body(content(
        (inline(Binary) = "application/octet-stream", example = json!(A_LITTLE_PART)),
        (UploadForm = "multipart/form-data"),
    )),
    responses((status = 201, description = "The proof.", body = ProofJson,
        headers(("Location" = String, description = "The proof's address.")))))]
async fn upload_proof(
    State(desk): State<Desk>,
    Query(pairs): Query<Vec<(String, String)>>,
    request: Request,
) -> Result<Response, HttpError> {
    let proof = receive::<AsProof>(&desk, pairs, request).await?;
    let location = [(LOCATION, format!("/api/v1/proofs/{}", proof.id))];
    Ok((StatusCode::CREATED, location, Json(proof_json(&desk, &proof))).into_response())
}

/// The page's form, where scripts do not run. The page must not load itself anew while somebody fills in the card.
async fn upload_from_page(State(desk): State<Desk>, request: Request) -> Result<Redirect, HttpError> {
    let proof = receive::<AsProof>(&desk, Vec::new(), request).await?;
    Ok(Redirect::to(&format!("/?still#proof-{}", proof.id)))
}

/// Files that wait to be looked at
#[utoipa::path(get, path = "/proofs", responses((status = 200, description = "The newest first.", body = inline(ProofList))))]
async fn list_proofs(State(desk): State<Desk>) -> Json<ProofList> {
    Json(ProofList { proofs: desk.intake.proofs().iter().map(|proof| proof_json(&desk, proof)).collect() })
}

/// A file that waits to be looked at
#[utoipa::path(get, path = "/proofs/{id}", params(ProofPath),
    responses((status = 200, description = "What was found in it.", body = ProofJson)))]
async fn show_proof(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Json<ProofJson>, HttpError> {
    Ok(Json(proof_json(&desk, &*desk.proof(&id)?)))
}

/// What a copy of a proof would look like on the belt
#[utoipa::path(get, path = "/proofs/{id}/picture.png", params(ProofPath, PictureQuery),
    responses(
        (status = 200, description = "The picture.", content_type = "image/png", body = inline(Binary)),
        (status = 304, description = "It is the one that the asker has."),
    ))]
async fn send_proof_picture(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Query(query): Query<PictureQuery>,
    headers: HeaderMap,
) -> Result<Response, HttpError> {
    let proof = desk.proof(&id)?;
    let none = || HttpError::NoSuch { what: format!("picture of proof {id}") };
    let pictures = desk.pictures.as_ref().ok_or_else(none)?;
    let (sha256, line) = (&proof.survey.file.sha256, proof.asked.line.as_ref());
    let paint = async |plan| Ok(pictures.png_of_proof(plan, Arc::clone(&proof)).await?);
    answer(&desk, pictures, sha256, line, (&query, &headers), paint).await
}

/// Put a proof into the queue
#[utoipa::path(post, path = "/proofs/{id}/queue", params(ProofPath), request_body = Option<QueueBody>,
    responses(JobMade))]
async fn queue_proof(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    body: Option<Object<QueueBody>>,
) -> Result<Response, HttpError> {
    let asked = desk.proof(&id)?.asked.clone();
    let body = or_none(body);
    let line = match body.line.as_deref() {
        None => asked.line,
        Some("") => None,
        Some(name) => Some(line_name(name)?),
    };
    let material = body.material.map(|material| material.trim().to_lowercase());
    let options = TakeOptions {
        copies: body.copies,
        line,
        material: material.or(asked.material).filter(|material| !material.is_empty()),
        release_c: body.release_c.or(asked.release_c),
        hold: body.hold.unwrap_or(asked.hold),
    };
    let name = body.name.filter(|name| !name.trim().is_empty());
    let job = desk.queue_proof(&id, Wish { name, options, reviewed: body.reviewed }).await?;
    let location = [(LOCATION, format!("/api/v1/jobs/{}", job.id))];
    Ok((StatusCode::CREATED, location, job_answer(&job)).into_response())
}

/// The card has every field: what is empty is not asked for.
async fn queue_from_page(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Form(mut pairs): Form<Vec<(String, String)>>,
) -> Result<Redirect, HttpError> {
    let reviewed = pairs.iter().any(|(field, value)| field == "reviewed" && value == "true");
    pairs.retain(|(field, _)| field != "reviewed");
    let Asked { name, options } = Asked::from_query(pairs)?;
    let job = desk.queue_proof(&id, Wish { name, options, reviewed }).await?;
    Ok(Redirect::to(&format!("/#job-{}", job.id)))
}

/// Throw a proof away
#[utoipa::path(delete, path = "/proofs/{id}", params(ProofPath),
    responses((status = 204, description = "It is gone, and its file too unless a job has the same one.")))]
async fn discard_proof(State(desk): State<Desk>, Path(id): Path<String>) -> Result<StatusCode, HttpError> {
    if desk.intake.discard_proof(&id).await { Ok(StatusCode::NO_CONTENT) } else { Err(no_proof(&id)) }
}

async fn discard_from_page(State(desk): State<Desk>, Path(id): Path<String>) -> Result<Redirect, HttpError> {
    if desk.intake.discard_proof(&id).await { Ok(Redirect::to("/#add")) } else { Err(no_proof(&id)) }
}
