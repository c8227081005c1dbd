//! `/api/v1/lines/{name}/jog-while` and `let-go`: the belt runs while a button is held, for programs and for the page's script.
//!
//! A press is begun by the first `jog-while` with its number and renewed by those that follow, every 300 ms or so: one that is not
//! renewed for a second is over. `let-go` ends it at once. How far the belt still goes then is said in `line/jog.rs`.

use std::time::Duration;

use axum::Json;
use axum::extract::{Path, State};
use serde::Deserialize;
use utoipa::ToSchema;

use super::body::Object;
use super::desk::Desk;
use super::document::{Api, LineNow, LinePath, routes};
use super::error::HttpError;
use crate::foreman::{JogWhile, LineCommand, LineView, Refused, RefusedCode, Toward};

/// A word that a button is held is not obeyed later than this: by then the next ones have come, or it was let go.
const STALE: Duration = Duration::from_millis(700);

pub(super) fn router() -> Api {
    Api::new().routes(routes!(jog_while)).routes(routes!(let_go))
}

/// Which way the belt is to run.
#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
enum Way {
    /// As parts leave.
    Nose,
    /// Away from it.
    Tail,
}

/// A button is held: begins the press of this number, or renews it. A renewal says the same as the beginning.
#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct PressBody {
    toward: Way,
    /// How fast, mm/min; at most the line's travel feed.
    #[schema(format = "uint32", minimum = 1)]
    feed_mm_min: u32,
    /// The person's word that they have looked: nothing is in the way.
    #[serde(default)]
    looked: bool,
    /// The person's word that the belt may move although the bed is warm.
    #[serde(default)]
    although_warm: bool,
    /// A number that no press had before, such as a random one: a press that is over is not begun again.
    #[schema(format = "uint64")]
    press: u64,
}

/// The button is let go.
#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct LetGoBody {
    #[schema(format = "uint64")]
    press: u64,
}

/// Run the belt while a button is held
///
/// The first one with its number begins a press, the others renew it; what is not renewed for a second is over.
#[utoipa::path(post, path = "/lines/{name}/jog-while", params(LinePath), request_body = PressBody, responses(LineNow))]
async fn jog_while(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(body): Object<PressBody>,
) -> Result<Json<LineView>, HttpError> {
    let PressBody { toward, feed_mm_min, looked, although_warm, press } = body;
    let toward = match toward {
        Way::Nose => Toward::Nose,
        Way::Tail => Toward::Tail,
    };
    let what = LineCommand::JogWhile(JogWhile { toward, feed_mm_min, looked, although_warm, press });
    // Given up, it is not obeyed any more by the time that the foreman comes to it.
    let told = tokio::time::timeout(STALE, desk.tell_line(&name, what)).await;
    told.unwrap_or_else(|_| Err(late().into())).map(Json)
}

/// Let a held button go
///
/// However late it comes: a press that is over, or was never begun, is over.
#[utoipa::path(post, path = "/lines/{name}/let-go", params(LinePath), request_body = LetGoBody, responses(LineNow))]
async fn let_go(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Object(LetGoBody { press }): Object<LetGoBody>,
) -> Result<Json<LineView>, HttpError> {
    desk.tell_line(&name, LineCommand::JogLetGo { press }).await.map(Json)
}

fn late() -> Refused {
    let text = "the foreman has too much to do to follow a held button; let go, and press again in a moment".to_owned();
    Refused { code: RefusedCode::Busy, text }
}
