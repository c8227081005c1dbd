//! The key of a request that its sender may send again: it is done once, and answered each time.
//!
//! The key goes with the request's task and not through the hands of every handler: a handler says what is to be done, and it is
//! the same thing whether the request bears a key or not. Whoever asks the foreman on behalf of a request takes the key from
//! the task; the first one gets it, so that a request has one effect with its key and no second one is mistaken for a repetition.

use std::cell::RefCell;
use std::future::Future;

use sha2::{Digest, Sha256};

/// A key, and what was asked with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Once {
    /// 1 to 255 printable characters that the sender has made up.
    pub key: String,
    /// SHA-256 of everything that was asked, in hexadecimal digits.
    pub print: String,
}

/// A key whose request is not known as a whole yet.
#[derive(Clone)]
pub struct OnceKey {
    key: String,
    print: Sha256,
}

tokio::task_local! {
    static OF_REQUEST: RefCell<Option<OnceKey>>;
}

impl OnceKey {
    /// A key of a request, and the pieces of it that are known.
    #[must_use]
    pub fn new(key: String, asked: &[&[u8]]) -> Self {
        Self { key, print: Sha256::new() }.with(asked)
    }

    /// Each with its length: what stands in one piece is never taken for what stands in two.
    fn with(mut self, asked: &[&[u8]]) -> Self {
        for piece in asked {
            self.print.update((piece.len() as u64).to_be_bytes());
            self.print.update(piece);
        }
        self
    }

    /// Does something on behalf of the request.
    pub async fn bear<F: Future>(self, doing: F) -> F::Output {
        OF_REQUEST.scope(RefCell::new(Some(self)), doing).await
    }
}

impl Once {
    /// The key of the request that this task works for, if it bears one and nobody has taken it yet. `asked` is what belongs to
    /// the request beside the pieces that are known already.
    #[must_use]
    pub fn take(asked: &[&[u8]]) -> Option<Self> {
        let key = OF_REQUEST.try_with(|key| key.borrow_mut().take()).ok().flatten()?;
        let OnceKey { key, print } = key.with(asked);
        let print = print.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        Some(Self { key, print })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_key_is_taken_once_and_only_in_its_own_task() {
        assert_eq!(Once::take(&[]), None);
        let key = OnceKey::new("k".to_owned(), &[b"POST"]);
        let (first, second) = key.bear(async { (Once::take(&[]), Once::take(&[])) }).await;
        assert_eq!((first.map(|once| once.key), second), (Some("k".to_owned()), None));
    }

    #[tokio::test]
    async fn the_print_tells_what_was_asked_and_where_one_piece_ends() {
        let print = async |known: &[&[u8]], more: &[&[u8]]| {
            OnceKey::new("k".to_owned(), known).bear(async { Once::take(more) }).await.expect("a key").print
        };
        let one = print(&[b"ab"], &[b"c"]).await;
        assert_eq!(one.len(), 64);
        assert_eq!(one, print(&[b"ab", b"c"], &[]).await);
        assert_ne!(one, print(&[b"a"], &[b"bc"]).await);
    }
}
