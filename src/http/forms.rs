//! What the page's buttons post. Each answers with the way back to the page (303), so that reloading it repeats nothing.

use axum::Router;
use axum::extract::{Form, Path, State};
use axum::response::Redirect;
use axum::routing::post;
use serde::Deserialize;

use super::desk::{Desk, shorten};
use super::error::HttpError;
use super::jobs::job_id;
use crate::foreman::{JobCommand, LineCommand};
use crate::job::{AlarmKind, PartWord};

pub(super) fn router() -> Router<Desk> {
    Router::new().route("/do/lines/{name}/{what}", post(do_to_line)).route("/do/jobs/{id}/{what}", post(do_to_job))
}

/// Fields of the answers to a line's question.
#[derive(Deserialize)]
struct LineForm {
    /// The line's `since` when the form was written: an answer to an older question is refused.
    since: Option<i64>,
    part: Option<PartWord>,
    /// The alarm that is acknowledged.
    alarm: Option<AlarmKind>,
}

async fn do_to_line(
    State(desk): State<Desk>,
    Path((name, what)): Path<(String, String)>,
    Form(form): Form<LineForm>,
) -> Result<Redirect, HttpError> {
    let command = match what.as_str() {
        "hold-now" => LineCommand::HoldNow,
        "hold-after-part" => LineCommand::HoldAfterPart,
        "resume" => LineCommand::Resume,
        "stop" => LineCommand::Stop,
        "emergency-stop" => LineCommand::EmergencyStop,
        "belt-clear" => LineCommand::BeltClear { part: form.part },
        "not-clear" => LineCommand::NotClear,
        "acknowledge" => match form.alarm {
            Some(alarm) => LineCommand::Acknowledge(alarm),
            None => {
                return Err(HttpError::Invalid { text: "which alarm is acknowledged must be in `alarm`".to_owned() });
            }
        },
        _ => return Err(HttpError::NoSuch { what: format!("command {:?} for a line", shorten(&what)) }),
    };
    let line = desk.tell_line_seen(&name, command, form.since).await?;
    Ok(Redirect::to(&format!("/#line-{}", line.name)))
}

async fn do_to_job(State(desk): State<Desk>, Path((id, what)): Path<(String, String)>) -> Result<Redirect, HttpError> {
    let command = match what.as_str() {
        "move-up" => JobCommand::MoveUp,
        "move-down" => JobCommand::MoveDown,
        "hold" => JobCommand::Hold,
        "release" => JobCommand::Release,
        "cancel" => JobCommand::Cancel,
        "restore" => JobCommand::Restore,
        "make-rest" => JobCommand::MakeRest,
        _ => return Err(HttpError::NoSuch { what: format!("command {:?} for a job", shorten(&what)) }),
    };
    let job = desk.tell_job(job_id(&id)?, command, None).await?;
    Ok(Redirect::to(&format!("/#job-{}", job.id)))
}
