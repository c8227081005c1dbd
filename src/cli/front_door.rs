//! How people come to the page: its addresses, and the key of the first who comes from another machine.

use std::fs;
use std::io::ErrorKind;
use std::net::SocketAddr;
use std::path::Path;

use super::addresses::bases;
use super::announce::Announced;
use super::say::say;
use super::start::NotStarted;
use crate::config::DaemonSection;
use crate::foreman::{Answer, Command, Handle, KeyCommand};
use crate::http::{Desk, Seal, Secret, qr_text};
use crate::job::{KeyName, Rights};

/// Where earlier versions kept the only key.
const OLD_FILE: &str = "key";
const FIRST_NAME: &str = "first phone";

/// The page's addresses and name, and the key that was made at this start.
pub(super) struct FrontDoor {
    /// Such as `http://192.168.0.20:8017`; the first is the likeliest for a phone.
    bases: Vec<String>,
    keyed: bool,
    first: Option<Secret>,
    /// What the page is called in the network, and what tells the network so.
    name: Option<String>,
    announced: Option<Announced>,
}

impl FrontDoor {
    /// Finds the addresses of a listener, and announces its name. Law L11: where others can reach it nobody does anything without
    /// a key; so that somebody can, one is made where there is none.
    pub(super) async fn open(
        daemon: &DaemonSection,
        at: SocketAddr,
        seal: Option<&Seal>,
        foreman: &Handle,
    ) -> Result<Self, NotStarted> {
        let keyed = !at.ip().is_loopback();
        let first = if keyed { first_key(&daemon.data, foreman).await? } else { None };
        let name = daemon.host_name(at);
        let announced = name.as_deref().and_then(|name| Announced::start(name, at));
        let shown = name.as_deref().filter(|_| announced.is_some());
        Ok(Self { bases: bases(at, shown, seal), keyed, first, name, announced })
    }

    /// Has the desk answer to the page's name, and ask for keys where it must.
    pub(super) fn furnish(&self, desk: Desk) -> Desk {
        let desk = desk.with_host_names(self.name.iter().cloned().collect());
        if self.keyed { desk.with_keys().with_base(self.bases[0].clone()) } else { desk }
    }

    /// Takes the name back.
    pub(super) async fn close(self) {
        if let Some(announced) = self.announced {
            announced.withdraw().await;
        }
    }

    /// The page's likeliest address.
    pub(super) fn page(&self) -> String {
        format!("{}/", self.bases[0])
    }

    /// Tells a person at the terminal.
    pub(super) fn say(&self) {
        for base in &self.bases {
            say(format_args!("page: {base}/"));
        }
        match &self.first {
            Some(secret) => {
                let address = format!("{}/key/{}", self.bases[0], secret.reveal());
                say(format_args!("key of the {FIRST_NAME}, shown this once: {address}"));
                if let Some(code) = qr_text(&address) {
                    say(code);
                }
                say("whoever has that key can run these lines; make and revoke keys on the page, under /keys");
            }
            None if self.keyed => {
                say(
                    "every device needs a key: make one on the page, under /keys, or stop the daemon and run `nosebar key make NAME`",
                );
            }
            None => {}
        }
    }
}

/// A key for the first who comes, if there is none that may operate.
async fn first_key(data: &Path, foreman: &Handle) -> Result<Option<Secret>, NotStarted> {
    take_over(&data.join(OLD_FILE), foreman).await?;
    if foreman.keys().may_operate_without(None) {
        return Ok(None);
    }
    let secret = Secret::fresh()
        .map_err(|error| NotStarted(format!("no key can be made: the system gives no random numbers: {error}")))?;
    keep(&secret, foreman).await?;
    Ok(Some(secret))
}

/// The key of an earlier version becomes one like the others; its file goes once the database has it.
async fn take_over(file: &Path, foreman: &Handle) -> Result<(), NotStarted> {
    let text = match fs::read_to_string(file) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(NotStarted(format!("the key {} cannot be read: {error}", file.display()))),
    };
    let Some(secret) = Secret::parse(&text) else {
        return Err(NotStarted(format!(
            "{} is not a key of 32 hexadecimal digits; remove it, and a new one is made",
            file.display()
        )));
    };
    // After a crash between the two steps the database has it already.
    if foreman.keys().find(&secret.hash()).is_none() {
        keep(&secret, foreman).await?;
    }
    fs::remove_file(file).map_err(|error| {
        NotStarted(format!("the key {} is in the database now and cannot be removed: {error}", file.display()))
    })
}

async fn keep(secret: &Secret, foreman: &Handle) -> Result<(), NotStarted> {
    let name = KeyName::new(FIRST_NAME).expect("invariant: a good name");
    let make = KeyCommand::Make { name, rights: Rights::Operate, hash: secret.hash() };
    match foreman.ask(Command::Keys(make)).await? {
        Answer::Key(_) => Ok(()),
        other => Err(NotStarted(format!("the foreman answers a new key with {other:?}"))),
    }
}
