//! Logs go to the error stream, as much of them as `RUST_LOG` says: `warn`, or `info,nosebar::printer=debug`.

use std::io::{self, IsTerminal};

use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// Begins; `usual` is what is told where nothing else was said, or what was said cannot be read.
pub(super) fn begin(usual: &str) {
    let asked = std::env::var("RUST_LOG").ok().map(|text| text.parse::<Targets>());
    let unread = asked.as_ref().and_then(|asked| asked.as_ref().err()).map(ToString::to_string);
    let wanted = asked.and_then(Result::ok);
    let wanted = wanted.unwrap_or_else(|| usual.parse().expect("invariant: written in this program"));
    // Colours are for eyes, not for log files.
    let lines = tracing_subscriber::fmt::layer().with_ansi(io::stderr().is_terminal()).with_writer(io::stderr);
    tracing_subscriber::registry().with(lines).with(wanted).init();
    if let Some(why) = unread {
        tracing::error!(
            "RUST_LOG cannot be read ({why}): expected such as warn or info,nosebar::printer=debug; it is as without it"
        );
    }
}
