//! Files over HTTP: the raw body of a request, or the file of a form. They stream to the disk, and a broken one leaves nothing.

use std::fmt::Display;
use std::pin::Pin;

use axum::body::Bytes;
use axum::extract::multipart::{Field, MultipartError};
use axum::extract::{FromRequest, Multipart, Query, Request, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_LENGTH, CONTENT_TYPE, LOCATION};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use futures_util::{Stream, StreamExt};
use tokio::sync::{mpsc, oneshot};
use tokio_stream::wrappers::ReceiverStream;
use utoipa::ToSchema;

use super::desk::{Desk, line_name, shorten};
use super::document::{Api, Binary, JobMade, routes};
use super::error::HttpError;
use super::jobs::job_answer;
use crate::foreman::Answer;
use crate::infeed::{TakeError, TakeOptions};
use crate::job::Job;

/// The longest text field of a form, bytes, and the most fields.
const FIELD_MAX: usize = 8 * 1024;
const FIELDS_MAX: usize = 16;

/// `GET` of the same address is with the other jobs; the two merge.
pub(super) fn api() -> Api {
    Api::new().routes(routes!(upload_file)).for_files()
}

/// One line of plastic: enough to be a job.
pub(super) const A_LITTLE_PART: &str = "G21\nG90\nM83\nM140 S60\nM104 S210\nG28\nM190 S60\nM109 S210\nG1 Z0.3 F600\nG1 X60 Y60 F6000\n\
    G1 X100 E2 F1200\nM104 S0\nM140 S0\n";

/// What may be asked for with a file; [`Asked::set`] takes these.
#[derive(utoipa::IntoParams, ToSchema)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "the document alone reads it")]
pub(super) struct UploadFields {
    /// The file's name; without it, that of the Content-Disposition or of the form's file. `clip.3off.gcode` asks for 3 copies.
    #[param(example = "clip.gcode")]
    name: Option<String>,
    /// How many are to be made; without it, those of the name, or one.
    #[schema(minimum = 1, maximum = 10_000)]
    #[param(minimum = 1, maximum = 10_000)]
    copies: Option<u32>,
    /// The only line that may make it; `""` for any.
    #[schema(pattern = "^[a-z0-9-]{0,32}$")]
    #[param(pattern = "^[a-z0-9-]{0,32}$")]
    line: Option<String>,
    /// Material keyword, such as `pla`.
    material: Option<String>,
    /// Bed temperature at which the part lets go, °C.
    #[schema(minimum = 1, maximum = 150)]
    #[param(minimum = 1, maximum = 150)]
    release_c: Option<f64>,
    /// Whether it is not to be begun until released.
    hold: Option<bool>,
}

/// A form with a file. The file comes last.
#[derive(ToSchema)]
#[expect(dead_code, reason = "the document alone reads it")]
pub(super) struct UploadForm {
    #[serde(flatten)]
    fields: UploadFields,
    /// The sliced file.
    #[schema(value_type = String, format = Binary)]
    file: Vec<u8>,
}

/// What is asked for with a file, from a query or from a form's fields.
#[derive(Debug, Default)]
pub(super) struct Asked {
    pub(super) name: Option<String>,
    pub(super) options: TakeOptions,
}

impl Asked {
    pub(super) fn from_query(pairs: Vec<(String, String)>) -> Result<Self, HttpError> {
        let mut asked = Self::default();
        for (field, value) in pairs {
            asked.set(&field, value)?;
        }
        Ok(asked)
    }

    /// Takes one field; an empty one is as if it were not there, since forms send every field. People type all but the line, and
    /// may leave spaces.
    fn set(&mut self, field: &str, value: String) -> Result<(), HttpError> {
        let wrong = |expected: &str| HttpError::Invalid {
            text: format!("{field} is {:?}, expected {expected}", shorten(&value)),
        };
        let text = value.trim();
        match field {
            "line" if value.is_empty() => {}
            "line" => self.options.line = Some(line_name(&value)?),
            _ if text.is_empty() => {}
            "name" => self.name = Some(text.to_owned()),
            "copies" => self.options.copies = Some(text.parse().map_err(|_| wrong("a whole number"))?),
            "material" => self.options.material = Some(text.to_lowercase()),
            "release_c" => {
                let celsius = text.parse().ok().filter(|celsius: &f64| celsius.is_finite());
                self.options.release_c = Some(celsius.ok_or_else(|| wrong("a temperature in °C"))?);
            }
            "hold" => match text {
                "true" => self.options.hold = true,
                "false" => self.options.hold = false,
                _ => return Err(wrong("true or false")),
            },
            _ => {
                let known = "name, copies, line, material, release_c, hold and file";
                return Err(HttpError::Invalid {
                    text: format!("there is no field {:?}, expected {known}", shorten(field)),
                });
            }
        }
        Ok(())
    }
}

/// What becomes of a file that comes in.
pub(super) trait Receive {
    type Taken;

    async fn take(desk: &Desk, name: &str, body: Pieces, options: TakeOptions) -> Result<Self::Taken, HttpError>;
}

/// A file on its way in.
pub(super) type Pieces = Pin<Box<dyn Stream<Item = Result<Bytes, String>> + Send>>;

/// It becomes a job at once.
struct AsJob;

impl Receive for AsJob {
    type Taken = Job;

    async fn take(desk: &Desk, name: &str, body: Pieces, options: TakeOptions) -> Result<Job, HttpError> {
        match desk.intake.take_stream(name, body, options, desk.upload_max).await? {
            Answer::Job(job) => Ok(*job),
            Answer::Line(_) | Answer::Commissioned(_) | Answer::Key(_) | Answer::Done => Err(HttpError::Internal),
        }
    }
}

/// Send a sliced file, which becomes a job
///
/// The file is the body, with its name in the query or in a Content-Disposition; or the last field, `file`, of a form.
#[utoipa::path(post, path = "/jobs",
    params(UploadFields, ("Content-Disposition" = Option<String>, Header,
        description = "`attachment; filename*=UTF-8''NAME`, by RFC 6266: the file's name where the query has none.")),
    request_body(content(
        (inline(Binary) = "application/octet-stream", example = json!(A_LITTLE_PART)),
        (UploadForm = "multipart/form-data"),
    )),
    responses(JobMade))]
async fn upload_file(
    State(desk): State<Desk>,
    Query(pairs): Query<Vec<(String, String)>>,
    request: Request,
) -> Result<Response, HttpError> {
    let job = receive::<AsJob>(&desk, pairs, request).await?;
    let location = [(LOCATION, format!("/api/v1/jobs/{}", job.id))];
    Ok((StatusCode::CREATED, location, job_answer(&job)).into_response())
}

/// Takes the file of a request: it is the body, or the field `file` of a form.
pub(super) async fn receive<R: Receive>(
    desk: &Desk,
    query: Vec<(String, String)>,
    request: Request,
) -> Result<R::Taken, HttpError> {
    let asked = Asked::from_query(query)?;
    check_length(desk, request.headers())?;
    if is_form(request.headers()) {
        receive_form::<R>(desk, asked, request).await
    } else {
        receive_body::<R>(desk, asked, request).await
    }
}

fn is_form(headers: &HeaderMap) -> bool {
    let kind = headers.get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or("");
    kind.get(..19).is_some_and(|kind| kind.eq_ignore_ascii_case("multipart/form-data"))
}

async fn receive_body<R: Receive>(desk: &Desk, asked: Asked, request: Request) -> Result<R::Taken, HttpError> {
    let name = asked.name.or_else(|| name_in_headers(request.headers()));
    let name = name.ok_or_else(|| HttpError::BadRequest {
        text: "the file has no name; add ?name=clip.gcode to the address, or a Content-Disposition with a filename"
            .to_owned(),
    })?;
    R::take(desk, &name, boxed(request.into_body().into_data_stream()), asked.options).await
}

/// What breaks a body off is told in words from here on.
fn boxed<E: Display + 'static>(body: impl Stream<Item = Result<Bytes, E>> + Send + 'static) -> Pieces {
    Box::pin(body.map(|piece| piece.map_err(|error| error.to_string())))
}

/// What must be known before a file streams in.
struct Ahead {
    name: String,
    options: TakeOptions,
}

type Piece = Result<Bytes, &'static str>;

/// Two at work: one walks through the form, the other takes the file that the first one meets.
async fn receive_form<R: Receive>(desk: &Desk, asked: Asked, request: Request) -> Result<R::Taken, HttpError> {
    let form = Multipart::from_request(request, &()).await.map_err(|refused| HttpError::Unsupported {
        expected: "multipart/form-data with a boundary",
        found: refused.body_text(),
    })?;
    let (announce, announced) = oneshot::channel::<Ahead>();
    let (to_intake, pieces) = mpsc::channel(1);
    let walking = async {
        let walked = walk_form(form, asked, announce, &to_intake).await;
        if walked.is_err() {
            // The end of the pieces alone would mean that the file is whole and wanted.
            drop(to_intake.send(Err("the form cannot be taken")).await);
        }
        drop(to_intake);
        walked
    };
    let taking = async {
        let Ok(ahead) = announced.await else {
            return Err(HttpError::BadRequest { text: "the form has no field `file`".to_owned() });
        };
        R::take(desk, &ahead.name, boxed(ReceiverStream::new(pieces)), ahead.options).await
    };
    let (walked, taken) = tokio::join!(walking, taking);
    walked.and(taken)
}

/// Reads the fields and hands the file on. It must be the last field: what comes later cannot be heeded any more.
async fn walk_form(
    mut form: Multipart,
    mut asked: Asked,
    announce: oneshot::Sender<Ahead>,
    to_intake: &mpsc::Sender<Piece>,
) -> Result<(), HttpError> {
    let mut announce = Some(announce);
    for _ in 0..FIELDS_MAX {
        let Some(mut field) = form.next_field().await.map_err(cut_short)? else { return Ok(()) };
        let name = field.name().unwrap_or("").to_owned();
        if announce.is_none() {
            let text = format!("the field {:?} comes after the file; send it before, then the file", shorten(&name));
            return Err(HttpError::Invalid { text });
        }
        if name != "file" {
            asked.set(&name, read_text(field).await?)?;
            continue;
        }
        let name = asked.name.take().or_else(|| field.file_name().map(str::to_owned)).filter(|name| !name.is_empty());
        let name = name.ok_or_else(|| HttpError::BadRequest {
            text: "no file was chosen, or it has no name; choose one and send it again".to_owned(),
        })?;
        let ahead = Ahead { name, options: std::mem::take(&mut asked.options) };
        if announce.take().is_none_or(|announce| announce.send(ahead).is_err()) {
            return Ok(());
        }
        while let Some(bytes) = field.chunk().await.map_err(cut_short)? {
            // If the intake listens no more it has refused the file, and says why.
            if to_intake.send(Ok(bytes)).await.is_err() {
                return Ok(());
            }
        }
    }
    Err(HttpError::Invalid { text: format!("the form has more than {FIELDS_MAX} fields") })
}

async fn read_text(mut field: Field<'_>) -> Result<String, HttpError> {
    let mut bytes = Vec::new();
    while let Some(piece) = field.chunk().await.map_err(cut_short)? {
        bytes.extend_from_slice(&piece);
        if bytes.len() > FIELD_MAX {
            return Err(HttpError::TooLarge { limit: FIELD_MAX as u64 });
        }
    }
    String::from_utf8(bytes).map_err(|_| HttpError::BadRequest { text: "a field of the form is not UTF-8".to_owned() })
}

/// Refuses at once what says itself that it is too long.
fn check_length(desk: &Desk, headers: &HeaderMap) -> Result<(), HttpError> {
    let length = headers.get(CONTENT_LENGTH).and_then(|value| value.to_str().ok()).and_then(|text| text.parse().ok());
    // A form is a little longer than the file in it.
    let room = if is_form(headers) { (FIELD_MAX * FIELDS_MAX) as u64 } else { 0 };
    match length {
        Some(length) if desk.upload_max.saturating_add(room) < length => {
            Err(HttpError::TooLarge { limit: desk.upload_max })
        }
        _ => Ok(()),
    }
}

fn cut_short(error: MultipartError) -> HttpError {
    HttpError::CutShort { why: error.body_text() }
}

/// The file's name from a `Content-Disposition` (RFC 6266): `filename*` in UTF-8 before `filename`.
fn name_in_headers(headers: &HeaderMap) -> Option<String> {
    let value = headers.get(CONTENT_DISPOSITION)?;
    let text = std::str::from_utf8(value.as_bytes()).ok()?;
    let parameter = |wanted: &str| {
        text.split(';').skip(1).find_map(|piece| {
            let (name, value) = piece.split_once('=')?;
            name.trim().eq_ignore_ascii_case(wanted).then(|| value.trim().to_owned())
        })
    };
    let extended = parameter("filename*").and_then(|value| {
        let (charset, rest) = value.split_once('\'')?;
        let (_, encoded) = rest.split_once('\'')?;
        charset.eq_ignore_ascii_case("utf-8").then(|| percent_decode(encoded)).flatten()
    });
    extended
        .or_else(|| parameter("filename").map(|name| name.trim_matches('"').to_owned()))
        .filter(|name| !name.is_empty())
}

fn percent_decode(text: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        if byte == b'%' {
            let digits = [rest.next()?, rest.next()?];
            bytes.push(u8::from_str_radix(std::str::from_utf8(&digits).ok()?, 16).ok()?);
        } else {
            bytes.push(byte);
        }
    }
    String::from_utf8(bytes).ok()
}

impl From<TakeError> for HttpError {
    fn from(error: TakeError) -> Self {
        match error {
            TakeError::Rejected(rejection) => {
                Self::Rejected { text: rejection.to_string(), findings: rejection.findings().to_vec() }
            }
            TakeError::TooLarge { limit } => Self::TooLarge { limit },
            TakeError::Broken { .. } => Self::CutShort { why: error.to_string() },
            TakeError::Store(error) => error.into(),
            TakeError::Refused(refused) => refused.into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use axum::http::HeaderValue;

    use utoipa::IntoParams;

    use super::*;

    /// RFC 6266 §5, with the file names of this house.
    #[test]
    fn the_name_comes_from_the_content_disposition() {
        let name = |value: &'static str| {
            let mut headers = HeaderMap::new();
            headers.insert(CONTENT_DISPOSITION, HeaderValue::from_static(value));
            name_in_headers(&headers)
        };
        assert_eq!(name("attachment; filename=clip.gcode").as_deref(), Some("clip.gcode"));
        assert_eq!(name("Attachment; FILENAME=\"tray clip.gcode\"").as_deref(), Some("tray clip.gcode"));
        let both = "attachment; filename=\"EURO rates\"; filename*=utf-8''%e2%82%ac%20rates";
        assert_eq!(name(both).as_deref(), Some("€ rates"));
        assert_eq!(name("attachment"), None);
        assert_eq!(name("attachment; filename=\"\""), None);
        assert_eq!(name("attachment; filename*=utf-8''%e2%8"), None);
    }

    #[test]
    fn empty_fields_are_as_if_they_were_not_there() {
        let mut asked = Asked::default();
        for field in ["copies", "line", "material", "release_c", "hold", "name"] {
            asked.set(field, String::new()).expect("nothing was asked");
            let blank = asked.set(field, " ".to_owned());
            // Of a line's name the document says which characters it has.
            assert_eq!(blank.is_ok(), field != "line", "{field}");
        }
        assert_eq!(asked.options, TakeOptions::default());
    }

    #[test]
    fn every_field_of_the_document_is_taken() {
        for parameter in UploadFields::into_params(|| None) {
            let refused = Asked::default().set(&parameter.name, "?".to_owned());
            if let Err(HttpError::Invalid { text }) = refused {
                assert!(!text.contains("there is no field"), "{text}");
            }
        }
    }

    #[test]
    fn values_that_cannot_be_are_refused_with_what_was_expected() {
        for (field, value) in [
            ("copies", "two"),
            ("copies", "-1"),
            ("release_c", "NaN"),
            ("hold", "maybe"),
            ("line", "../x"),
            ("copeis", "2"),
        ] {
            let refused = Asked::default().set(field, value.to_owned()).expect_err("a value that cannot be");
            assert!(matches!(refused, HttpError::Invalid { .. }), "{field}: {refused:?}");
        }
    }
}
