//! Keys, by what they are known by.

use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use super::commit::Query;
use super::error::StoreError;
use super::read::Reader;
use super::rows::word;
use crate::job::{AccessKey, KeyHash, KeyId, KeyName, Rights};
use crate::units::UnixMillis;

/// The columns that [`access_key`] reads, in its order.
pub(super) const COLUMNS: &str = "id, name, rights, hash, made_at, last_used, revoked_at";

/// Every key that there ever was, by number.
pub(super) async fn load_keys(reader: &Reader) -> Result<Vec<AccessKey>, StoreError> {
    let keys = sqlx::query("select id, name, rights, hash, made_at, last_used, revoked_at from keys order by id");
    reader.rows(keys.fetch_all(reader.pool()).await, access_key)
}

pub(super) fn put(key: &AccessKey) -> Query {
    sqlx::query(
        "insert into keys (id, name, rights, hash, made_at, last_used, revoked_at) values (?1, ?2, ?3, ?4, ?5, ?6, ?7)
         on conflict (id) do update set
             name = excluded.name, rights = excluded.rights, hash = excluded.hash, made_at = excluded.made_at,
             last_used = excluded.last_used, revoked_at = excluded.revoked_at",
    )
    .bind(key.id.0)
    .bind(key.name.as_str().to_owned())
    .bind(key.rights.as_str())
    .bind(key.hash.to_string())
    .bind(key.made_at.0)
    .bind(key.last_used.map(|at| at.0))
    .bind(key.revoked_at.map(|at| at.0))
}

pub(super) fn access_key(row: &SqliteRow) -> sqlx::Result<AccessKey> {
    Ok(AccessKey {
        id: KeyId(row.try_get(0)?),
        name: word(row, 1, |name| KeyName::new(name).ok())?,
        rights: word(row, 2, Rights::parse)?,
        hash: word(row, 3, KeyHash::parse)?,
        made_at: UnixMillis(row.try_get(4)?),
        last_used: row.try_get::<Option<i64>, _>(5)?.map(UnixMillis),
        revoked_at: row.try_get::<Option<i64>, _>(6)?.map(UnixMillis),
    })
}

#[cfg(test)]
mod tests {
    use super::super::open::Store;
    use super::super::write::Write;
    use super::*;

    fn key(id: i64, byte: u8) -> AccessKey {
        AccessKey {
            id: KeyId(id),
            name: KeyName::new("first phone").expect("a good name"),
            rights: Rights::Watch,
            hash: KeyHash([byte; 32]),
            made_at: UnixMillis(1000),
            last_used: None,
            revoked_at: None,
        }
    }

    #[tokio::test]
    async fn keys_come_back_as_they_were_and_what_they_are_known_by_is_theirs_alone() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut store = Store::open(&dir.path().join("db")).await.expect("a store");
        let kept = [key(1, 1), AccessKey { last_used: Some(UnixMillis(3_600_000)), ..key(2, 2) }];
        store.commit(&kept.clone().map(|key| Write::Key(Box::new(key)))).await.expect("kept");
        assert_eq!(store.load().await.expect("readable").keys, kept);
        store.commit(&[Write::Key(Box::new(key(3, 2)))]).await.expect_err("the hash of another");
    }

    #[tokio::test]
    async fn a_revoked_key_stays_revoked_and_no_key_gets_other_rights() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut store = Store::open(&dir.path().join("db")).await.expect("a store");
        let revoked = AccessKey { revoked_at: Some(UnixMillis(2000)), ..key(1, 1) };
        store.commit(&[Write::Key(Box::new(key(1, 1)))]).await.expect("kept");
        store
            .commit(&[Write::Key(Box::new(AccessKey { rights: Rights::Operate, ..key(1, 1) }))])
            .await
            .expect_err("more rights");
        store.commit(&[Write::Key(Box::new(revoked.clone()))]).await.expect("revoked");
        store.commit(&[Write::Key(Box::new(key(1, 1)))]).await.expect_err("live again");
        assert_eq!(store.load().await.expect("readable").keys, [revoked]);
    }
}
