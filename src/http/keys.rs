//! `/api/v1/keys`: the keys of other devices. For those alone who may operate.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::body::{Object, or_none};
use super::desk::{Desk, shorten};
use super::document::{Api, KeyPath, routes};
use super::error::HttpError;
use super::secret::Secret;
use crate::foreman::{Answer, Command, KeyCommand};
use crate::job::{AccessKey, KeyId, KeyName, Rights};

pub(super) fn router() -> Api {
    Api::new().routes(routes!(list_keys, make_key)).routes(routes!(rename_key)).routes(routes!(revoke_key))
}

/// All of them.
#[derive(Serialize, ToSchema)]
struct KeyList {
    /// By number, revoked ones too.
    keys: Vec<AccessKey>,
}

/// A new key.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct MakeBody {
    /// Whose it is, or where; one line.
    #[schema(min_length = 1, max_length = 60)]
    pub(super) name: String,
    pub(super) rights: Rights,
}

/// Another name.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct RenameBody {
    /// Whose it is, or where; one line.
    #[schema(min_length = 1, max_length = 60)]
    pub(super) name: String,
}

/// It shall allow nothing any more.
#[derive(Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct RevokeBody {
    /// Also if it is the last one with which anything can be changed from another machine.
    #[serde(default)]
    pub(super) although_last: bool,
}

/// A new key, the only time that it is shown.
#[derive(Serialize, ToSchema)]
struct NewKey {
    #[serde(flatten)]
    facts: AccessKey,
    /// The key itself.
    key: String,
    /// What a phone opens to have it.
    address: String,
}

/// The keys of other devices
///
/// For those who may operate.
#[utoipa::path(get, path = "/keys", responses((status = 200, description = "All of them.", body = inline(KeyList))))]
async fn list_keys(State(desk): State<Desk>) -> Json<KeyList> {
    Json(KeyList { keys: desk.handle.keys().keys().to_vec() })
}

/// Let another device in
///
/// The key itself is answered this once and never again.
#[utoipa::path(post, path = "/keys", request_body = MakeBody,
    responses((status = 201, description = "The new key.", body = inline(NewKey))))]
async fn make_key(
    State(desk): State<Desk>,
    headers: HeaderMap,
    uri: Uri,
    Object(body): Object<MakeBody>,
) -> Result<Response, HttpError> {
    let (facts, secret) = desk.make_key(&body).await?;
    let address = address_of(&desk.door.base_for(&headers, &uri), &secret);
    let new = NewKey { facts, key: secret.reveal().to_owned(), address };
    Ok((StatusCode::CREATED, Json(new)).into_response())
}

/// Give a key another name
#[utoipa::path(patch, path = "/keys/{id}", params(KeyPath), request_body = RenameBody,
    responses((status = 200, description = "The key as it is now.", body = inline(AccessKey))))]
async fn rename_key(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Object(body): Object<RenameBody>,
) -> Result<Json<AccessKey>, HttpError> {
    desk.rename_key(&id, &body).await.map(Json)
}

/// Shut a device out
#[utoipa::path(post, path = "/keys/{id}/revoke", params(KeyPath), request_body = Option<RevokeBody>,
    responses((status = 200, description = "The key as it is now.", body = inline(AccessKey))))]
async fn revoke_key(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    body: Option<Object<RevokeBody>>,
) -> Result<Json<AccessKey>, HttpError> {
    let body = or_none(body);
    desk.revoke_key(&id, &body).await.map(Json)
}

/// What a phone opens to have this key.
pub(super) fn address_of(base: &str, secret: &Secret) -> String {
    format!("{base}/key/{}", secret.reveal())
}

impl Desk {
    /// Makes a key at random; the foreman never sees it, only what it is known by.
    pub(super) async fn make_key(&self, body: &MakeBody) -> Result<(AccessKey, Secret), HttpError> {
        let name = key_name(&body.name)?;
        let secret = Secret::fresh().map_err(|error| {
            tracing::error!(%error, "the system gives no random numbers");
            HttpError::Internal
        })?;
        let what = KeyCommand::Make { name, rights: body.rights, hash: secret.hash() };
        Ok((self.tell_key(what).await?, secret))
    }

    pub(super) async fn rename_key(&self, id: &str, body: &RenameBody) -> Result<AccessKey, HttpError> {
        self.tell_key(KeyCommand::Rename { id: key_id(id)?, name: key_name(&body.name)? }).await
    }

    /// Where no keys are asked for, nobody can lock themselves out.
    pub(super) async fn revoke_key(&self, id: &str, body: &RevokeBody) -> Result<AccessKey, HttpError> {
        let although_last = body.although_last || !self.door.asks;
        self.tell_key(KeyCommand::Revoke { id: key_id(id)?, although_last }).await
    }

    async fn tell_key(&self, what: KeyCommand) -> Result<AccessKey, HttpError> {
        match self.handle.ask(Command::Keys(what)).await? {
            Answer::Key(key) => Ok(*key),
            Answer::Job(_) | Answer::Line(_) | Answer::Commissioned(_) | Answer::Done => Err(HttpError::Internal),
        }
    }
}

fn key_name(text: &str) -> Result<KeyName, HttpError> {
    KeyName::new(text).map_err(|why| HttpError::Invalid { text: why.to_string() })
}

fn key_id(text: &str) -> Result<KeyId, HttpError> {
    let number = text.parse().map_err(|_| HttpError::NoSuch { what: format!("key {:?}", shorten(text)) })?;
    Ok(KeyId(number))
}
