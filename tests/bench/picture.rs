//! How fast a picture is: 150,000 strokes of a real print at 512 pixels, PNG included, against the same segments drawn as
//! anti-aliased hairlines by tiny-skia, without PNG. Both in one run, turn by turn.
//!
//! `cargo bench --bench picture`

use std::path::PathBuf;
use std::time::{Duration, Instant};

use cargo_metadata::MetadataCommand;
use nosebar::gcode::{Dialect, Move, Painter, Rules, Scene, Walker, lex_line, survey};
use nosebar::job::{Footprint, Survey};
use tiny_skia::{Color, Paint, Path, PathBuilder, Pixmap, Stroke, Transform};

const STROKES: usize = 150_000;
const SIZE_PX: u32 = 512;
const ROUNDS: usize = 15;
/// The goal: at most this share of the time that hairlines take.
const GOAL: f64 = 0.6;

fn main() {
    // `cargo test --benches` asks whether it runs, not how fast.
    let rounds = if std::env::args().any(|argument| argument == "--bench") { ROUNDS } else { 1 };
    let bytes = std::fs::read(print()).expect("the print can be read");
    let survey = survey(&bytes[..], &Rules::default()).expect("bytes in memory can be read");
    let moves = strokes(&bytes);
    let path = hairlines(&moves, &survey);
    let (mut picture, mut whole, mut hair, mut bare) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for _ in 0..rounds {
        picture.push(time(|| {
            paint(&survey, |painter| moves.iter().for_each(|(motion, laid)| painter.handle_laid(motion, *laid)))
        }));
        bare.push(time(|| paint(&survey, |_| ())));
        hair.push(time(|| draw(&path)));
        whole.push(time(|| paint(&survey, |painter| painter.handle_bytes(&bytes))));
    }
    let (picture, whole, hair, bare) = (median(picture), median(whole), median(hair), median(bare));
    let ratio = picture.as_secs_f64() / hair.as_secs_f64();
    println!("| what | time | against hairlines |");
    println!("|---|---|---|");
    println!("| hairlines of {STROKES} segments, no PNG | {hair:.1?} | 1 |");
    println!("| picture of {STROKES} strokes, with PNG | {picture:.1?} | {ratio:.2}, goal at most {GOAL} |");
    println!("| of which belt and PNG, without a stroke | {bare:.1?} | |");
    println!("| picture of the whole file from its {} bytes | {whole:.1?} | |", bytes.len());
    if rounds > 1 && ratio > GOAL {
        std::process::exit(1);
    }
}

/// A real print: nom-gcode 0.1.1 (MIT).
fn print() -> PathBuf {
    let metadata =
        MetadataCommand::new().other_options(["--offline".to_owned()]).exec().expect("cargo metadata answers");
    let package = metadata.packages.iter().find(|package| package.name == "nom-gcode").expect("it is a dependency");
    package.manifest_path.as_std_path().with_file_name("tests/data/PI_rustlogo.gcode")
}

/// So many moves that lay plastic, the print's own over and over.
fn strokes(bytes: &[u8]) -> Vec<(Move, i64)> {
    let (mut walker, mut words) = (Walker::default(), Vec::new());
    let mut moves = Vec::new();
    for line in bytes.split(|byte| *byte == b'\n') {
        let line = lex_line(line, &mut words);
        let motion = walker.handle_line(&line, &words).motion;
        moves.extend(
            motion.filter(|motion| motion.extrusion_nm > 0 && motion.is_over_bed()).map(|m| (m, m.extrusion_nm)),
        );
    }
    moves.iter().copied().cycle().take(STROKES).collect()
}

fn scene() -> Scene {
    let bed = Footprint { x_min_mm: 0.0, x_max_mm: 200.0, y_min_mm: 0.0, y_max_mm: 200.0 };
    Scene { bed, toward_nose: (0.0, 1.0), nose_mm: 200.0, size_px: SIZE_PX }
}

fn paint(survey: &Survey, with: impl FnOnce(&mut Painter)) -> usize {
    let mut painter = Painter::new(&scene(), survey, Dialect::default());
    with(&mut painter);
    painter.finish().len()
}

/// The same segments, as large in the picture as the painter makes them.
fn hairlines(moves: &[(Move, i64)], survey: &Survey) -> Path {
    let footprint = survey.footprint.expect("a print lays something");
    let seen = (footprint.x_max_mm - footprint.x_min_mm) * 2.7;
    #[expect(clippy::cast_possible_truncation, reason = "a place in the picture")]
    let point = |[x, y, _]: [f64; 3]| {
        let scale = f64::from(SIZE_PX) / seen;
        (((x - footprint.x_min_mm) * scale + 160.0) as f32, ((y - footprint.y_min_mm) * scale * 0.64 + 110.0) as f32)
    };
    let mut builder = PathBuilder::new();
    for (motion, _) in moves {
        let (from, to) = (point(motion.start), point(motion.end));
        builder.move_to(from.0, from.1);
        builder.line_to(to.0, to.1);
    }
    builder.finish().expect("a print has lines")
}

fn draw(path: &Path) -> usize {
    let mut pixmap = Pixmap::new(SIZE_PX, SIZE_PX * 3 / 4).expect("a picture has pixels");
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    paint.set_color(Color::from_rgba8(200, 190, 220, 255));
    pixmap.stroke_path(path, &paint, &Stroke { width: 0.0, ..Stroke::default() }, Transform::identity(), None);
    pixmap.data().len()
}

#[expect(clippy::disallowed_methods, reason = "a bench measures the machine's own time")]
fn time(work: impl FnOnce() -> usize) -> Duration {
    let began = Instant::now();
    std::hint::black_box(work());
    began.elapsed()
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}
