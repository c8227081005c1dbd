//! The infeed's loop: word, looks and time go into `settle`; whole files come out and are dealt with one after the other, so
//! that first come is first served.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tokio::task::{JoinError, JoinHandle};
use tokio_util::sync::CancellationToken;

use super::config::{InfeedConfig, absolute};
use super::dealing::Dealer;
use super::intake::Intake;
use super::settle::{Event, Settle, Taken};
use super::source::{Look, look};
use super::taking::{Source, Taker};
use super::watch::{Absent, Folders, is_same};
use super::word::{Mailbox, Word, mailbox};
use crate::clock::Clock;
use crate::job::JobId;
use crate::units::Moment;

/// Between two looks at a file whose writer says that it is whole. A guess: a copying program may still set times and rights.
const DEBOUNCE: Duration = Duration::from_millis(50);
/// How often a missing folder is looked for.
const MISSING_LOOK: Duration = Duration::from_secs(1);
/// A missing folder is made again after so many periods of looking through: a share may only be mounted anew.
const MISSING_PERIODS: u32 = 3;

/// Takes files from the folder until `closing` is cancelled; what is being taken then is ended or left as it was.
///
/// `left` are the jobs whose folder file may still be there, with their source keys.
pub async fn run(config: InfeedConfig, intake: Intake, left: Vec<(JobId, String)>, closing: CancellationToken) {
    let config = Arc::new(config.made_absolute());
    let data_dir = absolute(intake.files.data_dir());
    let (own, dir) = ([data_dir.clone(), config.rejected.clone()], config.dir.clone());
    let clashes = tokio::task::spawn_blocking(move || own.iter().any(|own| *own == dir || is_same(own, &dir)));
    if clashes.await.unwrap_or(false) {
        let dir = config.dir.display();
        tracing::error!(
            "the infeed folder {dir} is also the data folder or the one for rejected files; no files are taken from it, \
             give it a folder of its own"
        );
        return;
    }
    let is_closing = Arc::new(AtomicBool::new(false));
    let taker = Taker { config: Arc::clone(&config), intake, closing: Arc::clone(&is_closing) };
    let (slot, mailbox) = mailbox();
    let mut infeed = Infeed {
        clock: Clock::real(),
        settle: Settle::new(config.settle, DEBOUNCE),
        folders: Some(Folders::new(Arc::clone(&config), &data_dir, slot)),
        config,
        known: Vec::new(),
        distrusted: Vec::new(),
        mailbox,
        dealer: Some(Dealer::new(taker.clone())),
        taker,
        dealing: None,
        left,
        scan_at: Moment::ZERO,
        missing_since: None,
    };
    tokio::select! {
        () = infeed.work() => {}
        () = closing.cancelled() => {}
    }
    is_closing.store(true, Ordering::Relaxed);
    if let Some((_, dealing)) = infeed.dealing.take() {
        // One that broke down has been logged; there is nothing more to do for it now.
        drop(dealing.await);
    }
}

type Dealing = JoinHandle<(Dealer, Taken)>;

struct Infeed {
    config: Arc<InfeedConfig>,
    clock: Clock,
    settle: Settle,
    /// Lent to a blocking thread while it looks through.
    folders: Option<Folders>,
    /// The folders that are looked through.
    known: Vec<PathBuf>,
    /// Those of which the watch may be lost.
    distrusted: Vec<PathBuf>,
    mailbox: Mailbox,
    taker: Taker,
    /// Lent to the task that deals with a file.
    dealer: Option<Dealer>,
    dealing: Option<(PathBuf, Dealing)>,
    left: Vec<(JobId, String)>,
    scan_at: Moment,
    missing_since: Option<Moment>,
}

impl Infeed {
    async fn work(&mut self) {
        loop {
            let now = self.clock.now();
            if now >= self.scan_at {
                self.scan(now).await;
            }
            self.look(now).await;
            self.deal_with_next();
            let due = self.settle.deadline().map_or(self.scan_at, |due| due.min(self.scan_at));
            tokio::select! {
                words = self.mailbox.receive() => self.hear(words),
                (path, dealt) = finished(&mut self.dealing) => {
                    self.dealing = None;
                    let (dealer, taken) = dealt.unwrap_or_else(|fault| {
                        tracing::error!(%fault, "taking {} broke down; it is left in the folder", path.display());
                        (Dealer::new(self.taker.clone()), Taken::UntilChanged)
                    });
                    self.dealer = Some(dealer);
                    self.settle.handle_taken(self.clock.now(), &path, taken);
                }
                _awake = self.clock.sleep_until(due) => {}
            }
        }
    }

    /// Looks through the folders.
    async fn scan(&mut self, now: Moment) {
        let Some(mut folders) = self.folders.take() else { return };
        let patience = self.config.rescan * MISSING_PERIODS;
        let absent = match self.missing_since {
            Some(since) if now.since(since) < patience => Absent::Wait,
            Some(_) => Absent::Make,
            // At the start.
            None if self.known.is_empty() => Absent::Make,
            None => Absent::Wait,
        };
        let distrusted = std::mem::take(&mut self.distrusted);
        let scanned = tokio::task::spawn_blocking(move || {
            folders.distrust(&distrusted);
            let scan = folders.scan(absent);
            (folders, scan)
        });
        let Ok((folders, scan)) = scanned.await else {
            tracing::error!("looking through the infeed folder broke down; restart to take files from it");
            self.scan_at = Moment(u64::MAX);
            return;
        };
        self.folders = Some(folders);
        self.missing_since = if scan.is_there { None } else { self.missing_since.or(Some(now)) };
        self.scan_at = now + if scan.is_there { self.config.rescan } else { self.config.rescan.min(MISSING_LOOK) };
        let found: BTreeSet<&Path> = scan.files.iter().map(|(path, _)| path.as_path()).collect();
        let known = self.settle.paths().filter(|path| !found.contains(path)).map(Path::to_owned);
        for path in known.collect::<Vec<_>>() {
            self.settle.handle_overlooked(now, &path);
        }
        for (path, seen) in &scan.files {
            self.settle.handle_seen(now, path, *seen);
        }
        self.known = scan.folders;
        if let Some(dealer) = self.dealer.as_mut().filter(|_| scan.is_there && !self.left.is_empty()) {
            self.left = dealer.settle_left(std::mem::take(&mut self.left)).await;
        }
    }

    /// Looks at the files that are due.
    async fn look(&mut self, now: Moment) {
        let paths = self.settle.poll_looks(now);
        if paths.is_empty() {
            return;
        }
        let looks =
            tokio::task::spawn_blocking(move || paths.into_iter().map(|path| (look(&path), path)).collect::<Vec<_>>());
        for (found, path) in looks.await.unwrap_or_default() {
            match found {
                Ok(Look::File(seen)) => self.settle.handle_seen(now, &path, seen),
                Ok(Look::Nothing) => self.settle.handle_missing(now, &path),
                Ok(Look::Folder) => {
                    self.settle.handle_missing(now, &path);
                    if path.parent() == Some(&self.config.dir) && path != self.config.rejected {
                        self.scan_at = now;
                    }
                }
                // The next time, or never: a look through the folders finds out.
                Err(why) => tracing::debug!(%why, "cannot look at {}", path.display()),
            }
        }
    }

    /// Begins to deal with the next whole file, unless one is being dealt with.
    fn deal_with_next(&mut self) {
        let Some(mut dealer) = self.dealer.take() else { return };
        let Some((path, seen)) = self.settle.poll_ready() else {
            self.dealer = Some(dealer);
            return;
        };
        let source = Source { path: path.clone(), seen };
        let dealing = tokio::spawn(async move {
            let taken = dealer.deal(&source).await;
            (dealer, taken)
        });
        self.dealing = Some((path, dealing));
    }

    fn hear(&mut self, words: Vec<Word>) {
        let now = self.clock.now();
        for word in words {
            match word {
                Word::Folder => self.scan_at = now,
                Word::Lost => {
                    self.distrusted.clone_from(&self.known);
                    self.scan_at = now;
                }
                Word::File(path, event) if self.known.contains(&path) => {
                    if event == Event::Gone {
                        self.distrusted.push(path);
                        self.scan_at = now;
                    }
                }
                Word::File(path, event) => self.settle.handle_event(now, &path, event),
            }
        }
    }
}

/// Waits for the file that is being dealt with; for ever if there is none.
async fn finished(dealing: &mut Option<(PathBuf, Dealing)>) -> (PathBuf, Result<(Dealer, Taken), JoinError>) {
    match dealing {
        Some((path, task)) => (path.clone(), task.await),
        None => std::future::pending().await,
    }
}

#[cfg(test)]
mod tests {
    use super::super::fake::House;
    use super::*;

    #[tokio::test]
    async fn a_folder_that_rejected_files_would_come_back_to_is_no_infeed_folder() {
        let house = House::new();
        let source = house.drop_file("clip.gcode", "BAD\n");
        let link = house.dir.path().join("link");
        std::os::unix::fs::symlink(source.path.parent().expect("a folder"), &link).expect("linked");
        let config = InfeedConfig { rejected: link, settle: DEBOUNCE, ..house.config() };
        let running = run(config, house.intake(house.files()), vec![], CancellationToken::new());
        tokio::time::timeout(Duration::from_secs(10), running).await.expect("it does not even begin");
        assert_eq!(house.list("in"), ["clip.gcode"]);
        assert!(house.desk().rejections.is_empty());
    }
}
