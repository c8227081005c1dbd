//! What a person may set of a job.

use super::command::{JobPatch, Refused};
use super::refusal::{invalid, names};
use crate::job::{Job, LineName, NAME_MAX};

/// The most copies that a job may have.
const COPIES_MAX: u32 = 10_000;
/// The longest name of a material, characters.
const MATERIAL_MAX: usize = 40;

pub(super) fn check_patch(job: &Job, patch: &JobPatch, lines: &[LineName]) -> Result<(), Refused> {
    let begun = job.completed + job.scrapped + job.in_work;
    if let Some(copies) = patch.copies.filter(|&c| c < begun.max(1) || c > COPIES_MAX) {
        let why = if begun > 1 { format!(", since {begun} are begun") } else { String::new() };
        return Err(invalid(format!("copies is {copies}; it must be from {} to {COPIES_MAX}{why}", begun.max(1))));
    }
    if let Some(release) = patch.release_c.flatten().filter(|r| !(1.0..=150.0).contains(r)) {
        return Err(invalid(format!("release_c is {release}; it must be from 1 to 150 °C")));
    }
    let line = patch.line.as_ref().and_then(|line| line.as_deref()).map(str::trim);
    if let Some(line) = line.filter(|line| !line.is_empty() && !lines.iter().any(|known| known.as_str() == *line)) {
        return Err(invalid(format!("there is no line {line:?}; there are: {}", names(lines))));
    }
    let material = patch.material.as_ref().and_then(|material| material.as_deref()).map_or("", str::trim);
    if material.chars().count() > MATERIAL_MAX || material.chars().any(char::is_control) {
        return Err(invalid(format!("material must have at most {MATERIAL_MAX} characters, all of them printable")));
    }
    let length = |name: &str| if name.trim().is_empty() { 0 } else { name.chars().count() };
    match patch.name.as_deref().map(length) {
        Some(length) if !(1..=NAME_MAX).contains(&length) => {
            Err(invalid(format!("name has {length} characters; it must have 1 to {NAME_MAX}")))
        }
        _ => Ok(()),
    }
}

pub(super) fn apply_patch(job: &mut Job, patch: JobPatch) {
    job.copies = patch.copies.unwrap_or(job.copies);
    if let Some(material) = patch.material {
        job.material = material.map(|m| m.trim().to_ascii_lowercase()).filter(|m| !m.is_empty()).map(Into::into);
    }
    if let Some(release_c) = patch.release_c {
        job.release_c = release_c;
    }
    if let Some(line) = patch.line {
        job.line = line.and_then(|line| LineName::new(line.trim()).ok());
    }
    if let Some(name) = patch.name {
        name.trim().clone_into(&mut job.name);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::foreman::bench::job;

    fn read(json: &str) -> JobPatch {
        serde_json::from_str(json).expect("a good patch")
    }

    fn set() -> Job {
        let line = Some(LineName::new("one").expect("a good name"));
        Job { material: Some("petg".into()), release_c: Some(31.5), line, ..job(1) }
    }

    /// RFC 7396: a member that is null takes away, one that is not there leaves.
    #[test]
    fn what_was_set_is_taken_away_by_null_and_left_by_silence() {
        let mut job = set();
        apply_patch(&mut job, read(r#"{"name": " stake "}"#));
        assert_eq!(job, Job { name: "stake".to_owned(), ..set() });
        apply_patch(&mut job, read(r#"{"material": null, "release_c": null, "line": null}"#));
        assert_eq!((&job.material, job.release_c, &job.line), (&None, None, &None));
        let mut job = set();
        apply_patch(&mut job, read(r#"{"material": "", "line": ""}"#));
        assert_eq!((&job.material, job.release_c, &job.line), (&None, Some(31.5), &None));
        let json = serde_json::to_string(&read(r#"{"material": null}"#)).expect("JSON");
        assert_eq!(read(&json), read(r#"{"material": null}"#), "what is written can be read again");
    }

    #[test]
    fn values_that_cannot_be_are_refused_with_what_could_be() {
        let begun = Job { copies: 5, completed: 2, in_work: 1, ..set() };
        let lines = [LineName::new("one").expect("a good name")];
        let refused = |json: &str| check_patch(&begun, &read(json), &lines).expect_err("it cannot be").text;
        assert_eq!(refused(r#"{"copies": 2}"#), "copies is 2; it must be from 3 to 10000, since 3 are begun");
        assert_eq!(refused(r#"{"release_c": 0.5}"#), "release_c is 0.5; it must be from 1 to 150 °C");
        assert_eq!(refused(r#"{"line": "two"}"#), "there is no line \"two\"; there are: one");
        assert_eq!(refused(r#"{"name": " "}"#), "name has 0 characters; it must have 1 to 200");
        let padded = format!(r#"{{"name": "{}clip"}}"#, " ".repeat(200));
        assert_eq!(refused(&padded), "name has 204 characters; it must have 1 to 200");
        assert!(
            refused(&format!(r#"{{"material": "{}"}}"#, "x".repeat(41))).starts_with("material must have at most 40")
        );
        assert!(check_patch(&begun, &read(r#"{"copies": 3, "line": null, "release_c": null}"#), &lines).is_ok());
    }
}
