//! `/keys`: the keys of other devices as a page. Every button is a form.

use askama::Template;
use axum::Router;
use axum::extract::{Form, Path, State};
use axum::http::{Extensions, HeaderMap, Uri};
use axum::response::{Html, Redirect};
use axum::routing::{get, post};

use super::desk::Desk;
use super::door::Pass;
use super::error::HttpError;
use super::frame::{Frame, Here};
use super::keys::{MakeBody, RenameBody, RevokeBody, address_of};
use super::pages::render;
use super::qr::qr_svg;
use super::views::Stamp;
use crate::job::{AccessKey, Rights};

/// Revoked keys that are shown, the last ones; programs get the rest from the API.
const REVOKED_SHOWN: usize = 10;

pub(super) fn router() -> Router<Desk> {
    Router::new()
        .route("/keys", get(show_keys))
        .route("/do/keys/make", post(form_make))
        .route("/do/keys/{id}/rename", post(form_rename))
        .route("/do/keys/{id}/revoke", post(form_revoke))
}

#[derive(Template)]
#[template(path = "keys.html", config = "web/askama.toml")]
struct KeysTemplate {
    frame: Frame,
    /// Whether the listener asks for keys at all.
    asks: bool,
    new: Option<NewKey>,
    live: Vec<KeySight>,
    revoked: Vec<KeySight>,
}

/// A key that has just been made: it is shown now and never again.
struct NewKey {
    name: String,
    address: String,
    qr: String,
}

struct KeySight {
    key: AccessKey,
    /// Whether whoever looks has come in with it.
    own: bool,
    /// Whether nobody could change anything from another machine without it.
    last: bool,
}

impl KeySight {
    fn rights(&self) -> &'static str {
        match self.key.rights {
            Rights::Watch => "may look",
            Rights::Operate => "may look and operate",
        }
    }

    fn made(&self) -> Stamp {
        Stamp::full(self.key.made_at)
    }

    fn used(&self) -> Option<Stamp> {
        self.key.last_used.map(Stamp::full)
    }

    fn revoked(&self) -> Option<Stamp> {
        self.key.revoked_at.map(Stamp::full)
    }
}

async fn show_keys(State(desk): State<Desk>, extensions: Extensions) -> Result<Html<String>, HttpError> {
    page(&desk, extensions.get().copied(), None)
}

/// Answers with the page itself: what is shown once cannot be fetched again.
async fn form_make(
    State(desk): State<Desk>,
    headers: HeaderMap,
    uri: Uri,
    extensions: Extensions,
    Form(form): Form<MakeBody>,
) -> Result<Html<String>, HttpError> {
    let (key, secret) = desk.make_key(&form).await?;
    let address = address_of(&desk.door.base_for(&headers, &uri), &secret);
    let qr = qr_svg(&address).unwrap_or_default();
    page(&desk, extensions.get().copied(), Some(NewKey { name: key.name.to_string(), address, qr }))
}

async fn form_rename(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Form(form): Form<RenameBody>,
) -> Result<Redirect, HttpError> {
    let key = desk.rename_key(&id, &form).await?;
    Ok(Redirect::to(&format!("/keys#key-{}", key.id)))
}

async fn form_revoke(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Form(form): Form<RevokeBody>,
) -> Result<Redirect, HttpError> {
    desk.revoke_key(&id, &form).await?;
    Ok(Redirect::to("/keys"))
}

fn page(desk: &Desk, pass: Option<Pass>, new: Option<NewKey>) -> Result<Html<String>, HttpError> {
    let ring = desk.handle.keys();
    let sight = |key: &AccessKey| KeySight {
        key: key.clone(),
        own: pass == Some(Pass(key.id)),
        last: desk.door.asks && key.rights == Rights::Operate && !ring.may_operate_without(Some(key.id)),
    };
    let live = ring.keys().iter().filter(|key| key.is_live()).map(sight).collect();
    let revoked = ring.keys().iter().rev().filter(|key| !key.is_live()).take(REVOKED_SHOWN).map(sight).collect();
    render(&KeysTemplate { frame: Frame::new(Here::Keys), asks: desk.door.asks, new, live, revoked }).map(Html)
}
