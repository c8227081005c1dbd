//! `nosebar key`: the keys of other devices, while no daemon runs. With a daemon they are on its page.

use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use super::addresses::bases;
use super::args::{KeyArgs, KeyWhat};
use super::say::say;
use super::serve::block_on;
use super::start::{NotStarted, seal_of};
use crate::clock::Clock;
use crate::config::{Config, DaemonSection};
use crate::foreman::{KeyBook, KeyCommand, key_facts};
use crate::http::{Seal, Secret, qr_text};
use crate::job::{AccessKey, KeyId, KeyName, Rights};
use crate::store::{DataLock, Entry, Store, StoreError, Write};
use crate::units::UnixMillis;

pub(crate) fn run(args: &KeyArgs) -> ExitCode {
    match block_on(key(args)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("nosebar: {error}");
            ExitCode::from(2)
        }
    }
}

async fn key(args: &KeyArgs) -> Result<(), NotStarted> {
    let config = Config::read(&args.config)?;
    let daemon = config.daemon;
    let _lock = DataLock::take(&daemon.data).map_err(|error| match error {
        StoreError::InUse { .. } => NotStarted(format!(
            "a daemon is at work in {}; its page has the keys, under /keys, or stop it first",
            daemon.data.display()
        )),
        other => other.into(),
    })?;
    let mut books = Books::open(&daemon.data).await?;
    let done = books.run(&args.what, &daemon).await;
    books.store.close().await?;
    done
}

/// Where there is no foreman, whoever has the lock does his work: by his rules, and with an entry in his journal.
struct Books {
    store: Store,
    keys: KeyBook,
    last_seq: i64,
    now: UnixMillis,
}

impl Books {
    async fn open(data: &Path) -> Result<Self, NotStarted> {
        // A damaged database is the daemon's to set aside: it knows which files belonged to it.
        let store = Store::open_checked(&data.join("nosebar.db")).await?;
        let snapshot = store.load().await?;
        let (keys, last_seq) = (KeyBook::open(snapshot.keys), snapshot.last_seq);
        Ok(Self { store, keys, last_seq, now: Clock::real().wall() })
    }

    async fn run(&mut self, what: &KeyWhat, daemon: &DaemonSection) -> Result<(), NotStarted> {
        match what {
            KeyWhat::List => {
                list(self.keys.ring().keys());
                Ok(())
            }
            KeyWhat::Make { name, rights } => {
                // Before there is a key that would have to be shown.
                let seal = seal_of(daemon)?;
                let secret = Secret::fresh()?;
                let key = self
                    .command(KeyCommand::Make { name: KeyName::new(name)?, rights: *rights, hash: secret.hash() })
                    .await?;
                say(format_args!("made key {}, {}, which may {}", key.id, shown(&key), key.rights));
                show(&secret, daemon, seal.as_ref());
                Ok(())
            }
            KeyWhat::Revoke { id } => {
                let key = self.command(KeyCommand::Revoke { id: KeyId(*id), although_last: true }).await?;
                say(format_args!("key {}, {}, allows nothing any more", key.id, shown(&key)));
                if !self.keys.ring().may_operate_without(None) {
                    say(
                        "no key is left that may operate: the next start on an address that others can reach makes one",
                    );
                }
                Ok(())
            }
        }
    }

    async fn command(&mut self, what: KeyCommand) -> Result<AccessKey, NotStarted> {
        let (key, told) = self.keys.command(self.now, what)?;
        let mut writes: Vec<Write> = self.keys.take_writes().collect();
        if let Some((kind, text)) = told {
            self.last_seq += 1;
            let (line, job, cycle) = (None, None, None);
            let (seq, at, kind) = (self.last_seq, self.now, kind.to_owned());
            writes.push(Write::Journal(Arc::new(Entry {
                seq,
                at,
                line,
                job,
                cycle,
                kind,
                text,
                data: key_facts(&key),
            })));
        }
        self.store.commit(&writes).await?;
        Ok(key)
    }
}

/// The only time that a new key is shown.
fn show(secret: &Secret, daemon: &DaemonSection, seal: Option<&Seal>) {
    let listen = daemon.listen;
    if listen.ip().is_loopback() {
        say(format_args!("the key, shown this once: {}", secret.reveal()));
        say(format_args!(
            "the config listens at {listen}, which only this computer can reach: nobody is asked for a key there"
        ));
        return;
    }
    let bases = bases(listen, daemon.host_name(listen).as_deref(), seal);
    let address = format!("{}/key/{}", bases[0], secret.reveal());
    say(format_args!(
        "open this once on the device that it is for, while the daemon runs; it is not shown again: {address}"
    ));
    if let Some(code) = qr_text(&address) {
        say(code);
    }
}

fn list(keys: &[AccessKey]) {
    if keys.is_empty() {
        say("there is no key");
    }
    for key in keys {
        let used = key.last_used.map_or_else(|| "never used".to_owned(), |at| format!("last used {}", day(at)));
        let state = key.revoked_at.map_or(used, |at| format!("revoked {}", day(at)));
        say(format_args!(
            "{:>4}  {:<7}  made {}  {state}  {}",
            key.id.0,
            key.rights.as_str(),
            day(key.made_at),
            shown(key)
        ));
    }
}

fn day(at: UnixMillis) -> String {
    jiff::Timestamp::from_millisecond(at.0).unwrap_or_default().strftime("%Y-%m-%d").to_string()
}

/// A name in quotes: whatever turns a terminal's writing round is written out.
fn shown(key: &AccessKey) -> String {
    format!("{:?}", key.name.as_str())
}

/// What may be typed for a key's rights.
pub(super) fn rights(text: &str) -> Result<Rights, String> {
    Rights::parse(text).ok_or_else(|| "expected watch (look) or operate (look and change)".to_owned())
}
