//! Logs go to the error stream, as much of them as `RUST_LOG` says: `warn`, or `info,nosebar::printer=debug`.

use std::io::{self, IsTerminal};

use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// Begins; `usual` is what is told where nothing else was said, or what was said cannot be read.
pub(super) fn begin(usual: &str) {
    let asked = std::env::var("RUST_LOG").ok().and_then(|text| text.parse::<Targets>().ok());
    let wanted = asked.unwrap_or_else(|| usual.parse().expect("invariant: written in this program"));
    // Colours are for eyes, not for log files.
    let lines = tracing_subscriber::fmt::layer().with_ansi(io::stderr().is_terminal()).with_writer(io::stderr);
    tracing_subscriber::registry().with(lines).with(wanted).init();
}
