//! What the card of a proof shows, in words.

use std::sync::Arc;

use super::desk::Desk;
use super::error::HttpError;
use super::pages::render;
use super::picture::{CARD_PX, version};
use super::proofs::{filament_g, filament_mm};
use super::views::{PictureSight, Stamp};
use super::words;
use crate::infeed::Proof;
use crate::job::{LineName, Survey};

use askama::Template;

#[derive(Template)]
#[template(path = "proofs.html", config = "web/askama.toml")]
struct ProofsTemplate {
    proofs: Vec<ProofSight>,
    line_names: Vec<LineName>,
}

/// A proof, ready for its template.
struct ProofSight {
    proof: Arc<Proof>,
    picture: Option<PictureSight>,
    size: String,
    print: String,
    filament: String,
    material: Option<String>,
    /// Where it lets go by its material, °C.
    lets_go: Option<String>,
    expires: Stamp,
}

/// The part of the page with the proofs that wait.
pub(super) fn proofs(desk: &Desk) -> Result<String, HttpError> {
    let proofs = desk.intake.proofs().into_iter().map(|proof| ProofSight::new(desk, proof)).collect();
    let line_names = desk.handle.live().lines.iter().map(|line| line.name.clone()).collect();
    render(&ProofsTemplate { proofs, line_names })
}

impl ProofSight {
    fn new(desk: &Desk, proof: Arc<Proof>) -> Self {
        let survey = &proof.survey;
        Self {
            picture: picture(desk, &proof),
            size: size(desk.size_of(&proof), survey.height_mm),
            print: format!("{}, {}", counted(survey.layers, "layer"), duration(survey.time_s)),
            filament: filament(survey),
            material: proof.asked.material.clone().or_else(|| survey.material.clone()),
            lets_go: desk.release_of(&proof).map(|celsius| format!("{celsius}")),
            expires: Stamp::minute(proof.expires, proof.at),
            proof,
        }
    }

    fn is_for(&self, line: &LineName) -> bool {
        self.proof.asked.line.as_ref() == Some(line)
    }
}

fn picture(desk: &Desk, proof: &Proof) -> Option<PictureSight> {
    let pictures = desk.pictures.as_ref()?;
    let (along_mm, _) = desk.size_of(proof)?;
    let plan = pictures.plan(&proof.survey.file.sha256, proof.asked.line.as_ref(), CARD_PX).ok()?;
    let version = version(&proof.survey.file.sha256, &plan.tag);
    Some(PictureSight {
        address: format!("/api/v1/proofs/{}/picture.png?size={CARD_PX}&v={version}", proof.id),
        words: words::picture(&proof.name, along_mm, proof.survey.height_mm),
    })
}

/// "64 mm along the belt, 20 mm across, 1.4 mm high".
fn size(on_belt: Option<(f64, f64)>, height_mm: f64) -> String {
    // Adding zero turns a negative zero into zero.
    let tenths = |mm: f64| (mm * 10.0).round() / 10.0 + 0.0;
    let high = format!("{}\u{a0}mm high", tenths(height_mm));
    on_belt.map_or_else(
        || high.clone(),
        |(along, across)| {
            format!("{}\u{a0}mm along the belt, {}\u{a0}mm across, {high}", tenths(along), tenths(across))
        },
    )
}

fn counted(count: u32, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// A foretold time.
fn duration(seconds: f64) -> String {
    if seconds < 0.5 { "no time foretold".to_owned() } else { format!("about {} a copy", words::span(seconds)) }
}

/// "0.71 m, 2.1 g a copy".
pub(super) fn filament(survey: &Survey) -> String {
    let length = format!("{:.2}\u{a0}m", filament_mm(survey) / 1000.0);
    let mass = filament_g(survey).map(|mass| format!(", {mass:.1}\u{a0}g")).unwrap_or_default();
    format!("{length}{mass} a copy")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Filament;

    #[test]
    fn figures_are_told_in_words() {
        let plain = |text: String| text.replace('\u{a0}', " ");
        assert_eq!(plain(size(Some((64.04, 20.0)), 1.4)), "64 mm along the belt, 20 mm across, 1.4 mm high");
        assert_eq!(plain(size(None, 0.0)), "0 mm high");
        for (seconds, words) in [
            (0.2, "no time foretold"),
            (41.6, "about 42 s a copy"),
            (119.0, "about 2 min a copy"),
            (150.0, "about 3 min a copy"),
            (3_590.0, "about 1 h a copy"),
            (6_000.0, "about 1 h 40 min a copy"),
        ] {
            assert_eq!(plain(duration(seconds)), words);
        }
        let of = |mass_g| Survey {
            filament: vec![Filament { tool: 0, length_mm: 712.4, volume_cm3: 1.7, mass_g }],
            ..Survey::default()
        };
        assert_eq!(plain(filament(&of(Some(2.14)))), "0.71 m, 2.1 g a copy");
        assert_eq!(plain(filament(&of(None))), "0.71 m a copy");
        assert_eq!((counted(1, "layer"), counted(0, "layer")), ("1 layer".to_owned(), "0 layers".to_owned()));
    }
}
