//! The keys in memory: who may come in, and what is decided about them. Plain code; no waiting in here.

use std::collections::HashMap;
use std::sync::Arc;

use super::books::About;
use super::command::{Answer, Refused, RefusedCode};
use super::decide::Decider;
use super::effects::Decided;
use super::refusal::conflict;
use crate::job::{AccessKey, KeyHash, KeyId, KeyName, Rights};
use crate::store::Write;
use crate::units::UnixMillis;

/// Use is kept to the hour: a page that is looked at all day is to cost a write an hour.
const HOUR_MS: i64 = 3_600_000;

/// What can be done to keys.
#[derive(Clone, Debug)]
pub enum KeyCommand {
    /// A new one. Answered with [`Answer::Key`], as all but `Used` are.
    Make {
        /// What a person calls it.
        name: KeyName,
        /// What it allows.
        rights: Rights,
        /// What it is known by.
        hash: KeyHash,
    },
    /// Another name.
    Rename {
        /// Which.
        id: KeyId,
        /// What a person calls it.
        name: KeyName,
    },
    /// It allows nothing any more.
    Revoke {
        /// Which.
        id: KeyId,
        /// Also if nobody can change anything from another machine afterwards.
        although_last: bool,
    },
    /// It was used. Answered with [`Answer::Done`].
    Used(KeyId),
}

/// All keys as they are now, found by what they are known by.
#[derive(Clone, Debug, Default)]
pub struct Keyring {
    keys: Vec<AccessKey>,
    by_hash: HashMap<KeyHash, usize>,
}

impl Keyring {
    /// These keys, by number.
    #[must_use]
    pub fn new(keys: Vec<AccessKey>) -> Self {
        let by_hash = keys.iter().enumerate().map(|(place, key)| (key.hash, place)).collect();
        Self { keys, by_hash }
    }

    /// Every key, revoked ones too, by number.
    #[must_use]
    pub fn keys(&self) -> &[AccessKey] {
        &self.keys
    }

    /// The key, live or revoked, that is known by this.
    ///
    /// How long that takes may tell something of the hashes that are here. It tells nothing of the keys: whoever asks can choose a
    /// key but not its hash, and even a hash that was known in full would leave 128 random bits to guess.
    #[must_use]
    pub fn find(&self, hash: &KeyHash) -> Option<&AccessKey> {
        self.by_hash.get(hash).map(|place| &self.keys[*place])
    }

    /// A key by its number.
    #[must_use]
    pub fn key(&self, id: KeyId) -> Option<&AccessKey> {
        self.keys.iter().find(|key| key.id == id)
    }

    /// Whether this key allows anything.
    #[must_use]
    pub fn is_live(&self, id: KeyId) -> bool {
        self.key(id).is_some_and(AccessKey::is_live)
    }

    /// Whether anybody can change anything from another machine, not counting this key.
    #[must_use]
    pub fn may_operate_without(&self, but: Option<KeyId>) -> bool {
        self.keys.iter().any(|key| key.is_live() && key.rights == Rights::Operate && Some(key.id) != but)
    }
}

/// The keys, and which of them are to be kept.
#[derive(Debug, Default)]
pub struct KeyBook {
    ring: Arc<Keyring>,
    changed: Vec<AccessKey>,
}

/// What was done, for the journal: its kind and a sentence.
type Told = Option<(&'static str, String)>;

impl KeyBook {
    /// The keys that are kept.
    #[must_use]
    pub fn open(keys: Vec<AccessKey>) -> Self {
        Self { ring: Arc::new(Keyring::new(keys)), changed: Vec::new() }
    }

    /// The keys as they are now.
    #[must_use]
    pub fn ring(&self) -> Arc<Keyring> {
        Arc::clone(&self.ring)
    }

    /// Does what is asked. Answers the key as it is then, and what the journal is to say.
    ///
    /// # Errors
    /// [`RefusedCode::NotFound`] for an unknown number; [`RefusedCode::Conflict`] for a revoked key, a key that is there already,
    /// and the last one that can change anything.
    pub fn command(&mut self, now: UnixMillis, what: KeyCommand) -> Result<(AccessKey, Told), Refused> {
        match what {
            KeyCommand::Make { name, rights, hash } => self.make(now, name, rights, hash),
            KeyCommand::Rename { id, name } => {
                let old = self.live(id)?;
                if old.name == name {
                    return Ok((old, None));
                }
                let text = format!("a person renamed key {id} from {:?} to {:?}", old.name.as_str(), name.as_str());
                Ok((self.put(AccessKey { name, ..old }), Some(("key-renamed", text))))
            }
            KeyCommand::Revoke { id, although_last } => {
                let old = self.live(id)?;
                let last = old.rights == Rights::Operate && !self.ring.may_operate_without(Some(id));
                if last && !although_last {
                    return Err(conflict(format!(
                        "{:?} is the last key with which anything can be changed from another machine; make another one first, \
                         or say `although_last`: then only the daemon's own machine can make a new one",
                        old.name.as_str()
                    )));
                }
                let text = format!("a person revoked key {id}, {:?}", old.name.as_str());
                Ok((self.put(AccessKey { revoked_at: Some(now), ..old }), Some(("key-revoked", text))))
            }
            KeyCommand::Used(id) => {
                let old = self.live(id)?;
                let hour = hour_of(now);
                if old.last_used == Some(hour) {
                    return Ok((old, None));
                }
                Ok((self.put(AccessKey { last_used: Some(hour), ..old }), None))
            }
        }
    }

    fn make(
        &mut self,
        now: UnixMillis,
        name: KeyName,
        rights: Rights,
        hash: KeyHash,
    ) -> Result<(AccessKey, Told), Refused> {
        if let Some(same) = self.ring.find(&hash) {
            return Err(conflict(format!("this key is there already, as number {}", same.id)));
        }
        let id = KeyId(self.ring.keys.iter().map(|key| key.id.0).max().unwrap_or_default() + 1);
        let key = AccessKey { id, name, rights, hash, made_at: now, last_used: None, revoked_at: None };
        let text = format!("key {id}, {:?}, was made; it may {rights}", key.name.as_str());
        Ok((self.put(key), Some(("key-made", text))))
    }

    fn live(&self, id: KeyId) -> Result<AccessKey, Refused> {
        match self.ring.key(id) {
            None => Err(Refused { code: RefusedCode::NotFound, text: format!("there is no key {id}") }),
            Some(key) if !key.is_live() => Err(conflict(format!("key {id} was revoked; make another one"))),
            Some(key) => Ok(key.clone()),
        }
    }

    fn put(&mut self, key: AccessKey) -> AccessKey {
        let mut keys = self.ring.keys.clone();
        match keys.iter_mut().find(|old| old.id == key.id) {
            Some(old) => *old = key.clone(),
            None => keys.push(key.clone()),
        }
        self.ring = Arc::new(Keyring::new(keys));
        self.changed.push(key.clone());
        key
    }

    /// What is not in the database yet.
    pub fn take_writes(&mut self) -> impl Iterator<Item = Write> + use<> {
        std::mem::take(&mut self.changed).into_iter().map(|key| Write::Key(Box::new(key)))
    }
}

/// The beginning of the hour.
#[must_use]
pub const fn hour_of(at: UnixMillis) -> UnixMillis {
    UnixMillis(at.0 - at.0.rem_euclid(HOUR_MS))
}

/// What the journal tells programs of a key.
#[must_use]
pub fn key_facts(key: &AccessKey) -> serde_json::Value {
    serde_json::json!({ "key": key.id, "name": key.name, "rights": key.rights })
}

impl Decider {
    pub(super) fn key_command(&mut self, now: UnixMillis, what: KeyCommand) -> Decided {
        let answers_key = !matches!(what, KeyCommand::Used(_));
        let (key, told) = self.keys.command(now, what)?;
        if let Some((kind, text)) = told {
            self.books.note(now, &About::default(), kind, &text, key_facts(&key));
        }
        Ok(if answers_key { Answer::Key(Box::new(key)) } else { Answer::Done })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> KeyName {
        KeyName::new(text).expect("a good name")
    }

    fn make(book: &mut KeyBook, rights: Rights, byte: u8) -> KeyId {
        let what = KeyCommand::Make { name: name("phone"), rights, hash: KeyHash([byte; 32]) };
        book.command(UnixMillis(5), what).expect("made").0.id
    }

    #[test]
    fn the_last_key_that_operates_is_not_revoked_by_mistake() {
        let mut book = KeyBook::default();
        let first = make(&mut book, Rights::Operate, 1);
        let watch = make(&mut book, Rights::Watch, 2);
        let revoke = |id, although_last| KeyCommand::Revoke { id, although_last };
        let no = book.command(UnixMillis(6), revoke(first, false)).expect_err("the last one");
        assert_eq!(no.code, RefusedCode::Conflict);
        assert!(no.text.contains("although_last"), "{}", no.text);
        book.command(UnixMillis(6), revoke(watch, false)).expect("it could change nothing");
        let second = make(&mut book, Rights::Operate, 3);
        book.command(UnixMillis(6), revoke(first, false)).expect("another one is left");
        book.command(UnixMillis(7), revoke(second, true)).expect("it was said");
        assert!(!book.ring().may_operate_without(None));
        let no = book.command(UnixMillis(8), revoke(second, true)).expect_err("twice");
        assert_eq!(no.code, RefusedCode::Conflict);
        assert_eq!(
            book.command(UnixMillis(8), revoke(KeyId(9), true)).expect_err("unknown").code,
            RefusedCode::NotFound
        );
    }

    #[test]
    fn a_key_is_found_by_what_it_is_known_by_also_when_it_is_revoked() {
        let mut book = KeyBook::default();
        let first = make(&mut book, Rights::Operate, 1);
        let before = book.ring();
        book.command(UnixMillis(6), KeyCommand::Revoke { id: first, although_last: true }).expect("revoked");
        let find = |ring: &Keyring, byte| ring.find(&KeyHash([byte; 32])).map(|key| (key.id, key.is_live()));
        assert_eq!(find(&before, 1), Some((first, true)));
        assert_eq!(find(&book.ring(), 1), Some((first, false)));
        assert_eq!(find(&book.ring(), 2), None);
        let same = KeyCommand::Make { name: name("again"), rights: Rights::Operate, hash: KeyHash([1; 32]) };
        assert_eq!(book.command(UnixMillis(7), same).expect_err("there already").code, RefusedCode::Conflict);
    }

    #[test]
    fn use_is_written_once_an_hour() {
        let mut book = KeyBook::default();
        let id = make(&mut book, Rights::Watch, 1);
        assert_eq!(book.take_writes().count(), 1);
        let hour = 1_748_764_800_000;
        let mut writes = |ms: i64| {
            book.command(UnixMillis(hour + ms), KeyCommand::Used(id)).expect("live");
            book.take_writes().collect::<Vec<_>>()
        };
        let first = writes(1);
        assert!(matches!(&first[..], [Write::Key(key)] if key.last_used == Some(UnixMillis(hour))), "{first:?}");
        assert_eq!(writes(HOUR_MS - 1).len(), 0);
        assert_eq!(writes(HOUR_MS).len(), 1);
    }

    #[test]
    fn a_name_in_the_journal_commands_no_terminal() {
        let mut book = KeyBook::default();
        let what = KeyCommand::Make { name: name("a\u{202e}b"), rights: Rights::Watch, hash: KeyHash([1; 32]) };
        let (_, told) = book.command(UnixMillis(5), what).expect("made");
        assert_eq!(told.expect("told").1, "key 1, \"a\\u{202e}b\", was made; it may watch");
    }
}
