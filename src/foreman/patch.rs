//! What a person may set of a job.

use super::command::{JobPatch, Refused};
use super::refusal::{invalid, names};
use crate::job::{Job, LineName};

pub(super) fn check_patch(job: &Job, patch: &JobPatch, lines: &[LineName]) -> Result<(), Refused> {
    let begun = job.completed + job.scrapped + job.in_work;
    if let Some(copies) = patch.copies.filter(|&c| c < begun.max(1) || c > 10_000) {
        return Err(invalid(format!("copies is {copies}; it must be from {} to 10000", begun.max(1))));
    }
    if let Some(release) = patch.release_c.filter(|r| !(1.0..=150.0).contains(r)) {
        return Err(invalid(format!("release_c is {release}; it must be from 1 to 150 °C")));
    }
    if let Some(line) = patch.line.as_deref().filter(|l| !l.is_empty() && !lines.iter().any(|n| n.as_str() == *l)) {
        return Err(invalid(format!("there is no line {line:?}; there are: {}", names(lines))));
    }
    match patch.name.as_deref().map(|name| name.trim().chars().count()) {
        Some(0 | 201..) => Err(invalid("name must have 1 to 200 characters".to_owned())),
        _ => Ok(()),
    }
}

pub(super) fn apply_patch(job: &mut Job, patch: JobPatch) {
    job.copies = patch.copies.unwrap_or(job.copies);
    if let Some(material) = patch.material {
        job.material = Some(material.trim().to_ascii_lowercase()).filter(|m| !m.is_empty());
    }
    job.release_c = patch.release_c.or(job.release_c);
    if let Some(line) = patch.line {
        job.line = LineName::new(&line).ok();
    }
    if let Some(name) = patch.name {
        name.trim().clone_into(&mut job.name);
    }
}
