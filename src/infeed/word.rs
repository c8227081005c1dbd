//! Word from the system, put into our terms and into a mailbox that may overflow.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use notify::event::{AccessKind, AccessMode, CreateKind, ModifyKind, RenameMode};
use notify::{EventHandler, EventKind};
use tokio::sync::mpsc;

use super::settle::Event;
use super::watch::is_ignored;

/// Words that may wait; when there are more, the folder is looked through instead.
const WAITING_MAX: usize = 4096;

/// What the system says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Word {
    /// Something happened to a file, or to what has its path.
    File(PathBuf, Event),
    /// There is a new folder.
    Folder,
    /// Word was lost: everything must be looked through, and watched anew.
    Lost,
}

/// The end that the loop holds.
#[derive(Debug)]
pub(super) struct Mailbox {
    words: mpsc::Receiver<Word>,
    overflowed: Arc<AtomicBool>,
}

/// The end that the watcher's thread holds.
#[derive(Debug)]
pub(super) struct Slot {
    words: mpsc::Sender<Word>,
    overflowed: Arc<AtomicBool>,
}

pub(super) fn mailbox() -> (Slot, Mailbox) {
    let (sender, receiver) = mpsc::channel(WAITING_MAX);
    let overflowed = Arc::new(AtomicBool::new(false));
    (Slot { words: sender, overflowed: Arc::clone(&overflowed) }, Mailbox { words: receiver, overflowed })
}

impl Mailbox {
    /// Waits for word. Pends for ever where there is no watcher.
    pub(super) async fn receive(&mut self) -> Vec<Word> {
        let mut words = Vec::new();
        if self.words.recv_many(&mut words, WAITING_MAX).await == 0 {
            return std::future::pending().await;
        }
        if self.overflowed.swap(false, Ordering::Relaxed) {
            words.push(Word::Lost);
        }
        words
    }
}

impl EventHandler for Slot {
    fn handle_event(&mut self, event: notify::Result<notify::Event>) {
        for word in read(event) {
            if self.words.try_send(word).is_err() {
                self.overflowed.store(true, Ordering::Relaxed);
            }
        }
    }
}

fn read(event: notify::Result<notify::Event>) -> Vec<Word> {
    let Ok(event) = event else { return vec![Word::Lost] };
    if event.need_rescan() {
        return vec![Word::Lost];
    }
    let what = match event.kind {
        EventKind::Create(CreateKind::Folder) => return vec![Word::Folder],
        EventKind::Create(_) => Event::Created,
        EventKind::Access(AccessKind::Open(_)) => Event::Opened,
        EventKind::Access(AccessKind::Close(AccessMode::Write)) => Event::Closed,
        EventKind::Modify(ModifyKind::Name(RenameMode::To)) => Event::RenamedInto,
        EventKind::Modify(ModifyKind::Name(RenameMode::From)) | EventKind::Remove(_) => Event::Gone,
        // Said before by its two halves.
        EventKind::Modify(ModifyKind::Name(RenameMode::Both)) => return vec![],
        // Rights and times; the next look sees them.
        EventKind::Modify(ModifyKind::Metadata(_)) | EventKind::Access(_) => return vec![],
        EventKind::Modify(_) | EventKind::Any | EventKind::Other => Event::Modified,
    };
    event.paths.into_iter().filter(|path| !is_ignored(path)).map(|path| Word::File(path, what)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn too_much_word_becomes_word_of_its_loss() {
        let (mut slot, mut mailbox) = mailbox();
        for number in 0..WAITING_MAX + 10 {
            let event =
                notify::Event::new(EventKind::Create(CreateKind::File)).add_path(PathBuf::from(format!("in/{number}")));
            slot.handle_event(Ok(event));
        }
        let words = mailbox.receive().await;
        assert_eq!(words.len(), WAITING_MAX + 1);
        assert_eq!(words.last(), Some(&Word::Lost));
        slot.handle_event(Err(notify::Error::generic("lost")));
        assert_eq!(mailbox.receive().await, [Word::Lost]);
    }

    #[test]
    fn ignored_names_and_changed_rights_say_nothing() {
        let hidden = notify::Event::new(EventKind::Create(CreateKind::File)).add_path(PathBuf::from("in/.clip.gcode"));
        assert_eq!(read(Ok(hidden)), []);
        let kind = EventKind::Modify(ModifyKind::Metadata(notify::event::MetadataKind::Any));
        assert_eq!(read(Ok(notify::Event::new(kind).add_path(PathBuf::from("in/clip.gcode")))), []);
    }
}
