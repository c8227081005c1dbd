//! Ways to say no.

use super::command::{Refused, RefusedCode};
use crate::job::{JobId, LineName};

pub(super) fn no_job(id: JobId) -> Refused {
    Refused { code: RefusedCode::NotFound, text: format!("there is no job {id}") }
}

pub(super) fn conflict(text: String) -> Refused {
    Refused { code: RefusedCode::Conflict, text }
}

pub(super) fn invalid(text: String) -> Refused {
    Refused { code: RefusedCode::Invalid, text }
}

pub(super) fn names(lines: &[LineName]) -> String {
    lines.iter().map(LineName::as_str).collect::<Vec<_>>().join(", ")
}
