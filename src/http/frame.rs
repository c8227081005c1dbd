//! What every page has around it: head, name, way around, and the place where a lost connection is said.

use super::statics::address;

/// Addresses of the files that every page loads, and where the reader is.
pub(super) struct Frame {
    pub(super) css: String,
    pub(super) js: String,
    pub(super) icon: String,
    pub(super) touch_icon: String,
    /// The page itself, so that the way around says so.
    pub(super) here: Here,
}

/// Pages that the way around leads to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Here {
    /// Lines and queue.
    Lines,
    /// The journal.
    Log,
    /// The keys.
    Keys,
    /// A page that is reached from another one.
    Elsewhere,
    /// Before the door: nothing else can be reached, and nothing is alive.
    Outside,
}

impl Frame {
    pub(super) fn new(here: Here) -> Self {
        Self {
            css: address("page.css"),
            js: address("live.js"),
            icon: address("icon.svg"),
            touch_icon: address("icon-192.png"),
            here,
        }
    }

    /// Where one of our modules is found.
    #[expect(clippy::unused_self, reason = "templates reach functions through what they are given")]
    pub(super) fn script(&self, name: &str) -> String {
        address(name)
    }

    /// Whether the reader is on the page with the lines.
    pub(super) fn on_lines(&self) -> bool {
        self.here == Here::Lines
    }

    /// Whether the reader has come in.
    pub(super) fn is_inside(&self) -> bool {
        self.here != Here::Outside
    }

    /// Whether the reader is on the page with the keys.
    pub(super) fn on_keys(&self) -> bool {
        self.here == Here::Keys
    }

    /// Whether the reader is on the page with the journal.
    pub(super) fn on_log(&self) -> bool {
        self.here == Here::Log
    }
}
