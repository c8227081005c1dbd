//! Reads sliced files back, knowing nothing of how they were made: where plastic was laid, how much, how long it took.

use std::collections::HashMap;

/// Plastic that left the nozzle during one move. Lengths in mm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Laid {
    /// Least and greatest X and Y of the move.
    pub(super) x: (f64, f64),
    pub(super) y: (f64, f64),
    /// Z where the move ended.
    pub(super) z: f64,
    /// Length of filament.
    pub(super) filament: f64,
    /// Whether the nozzle moved in X or Y.
    pub(super) moving: bool,
}

/// What a file does.
#[derive(Debug, Default)]
pub(super) struct Read {
    pub(super) laid: Vec<Laid>,
    /// Ends of all moves: X, Y, Z.
    pub(super) ends: Vec<[f64; 3]>,
    /// Time at the commanded feed, s.
    pub(super) seconds: f64,
    /// Greatest `S` of bed and nozzle commands, °C.
    pub(super) bed: f64,
    pub(super) nozzle: f64,
    /// `key = value` comments.
    pub(super) facts: HashMap<String, String>,
    /// Command words, once each.
    pub(super) commands: Vec<String>,
}

#[derive(Debug, Default)]
struct Head {
    place: [f64; 3],
    e: f64,
    /// Filament pushed less filament pulled back, and the most that this has ever been.
    pushed: f64,
    most: f64,
    feed: f64,
    relative_e: bool,
}

/// Reads a whole file.
pub(super) fn read(text: &str) -> Read {
    let (mut head, mut out) = (Head::default(), Read::default());
    for line in text.lines() {
        let (code, comment) = line.split_once(';').unwrap_or((line, ""));
        if let Some((key, value)) = comment.split_once(" = ") {
            out.facts.entry(key.trim().to_owned()).or_insert_with(|| value.trim().to_owned());
        }
        let mut words = code.split_whitespace();
        let Some(command) = words.next() else { continue };
        let values: HashMap<char, f64> = words.map(word).collect();
        obey(command, &values, &mut head, &mut out);
        if !out.commands.iter().any(|known| known == command) {
            out.commands.push(command.to_owned());
        }
    }
    out
}

fn word(word: &str) -> (char, f64) {
    let (letter, value) = word.split_at(1);
    let value = value.parse().unwrap_or_else(|_| panic!("{word} is not a letter and a number"));
    (letter.chars().next().expect("split at one byte"), value)
}

fn obey(command: &str, values: &HashMap<char, f64>, head: &mut Head, out: &mut Read) {
    match command {
        "G0" | "G1" | "G2" | "G3" => travel(command, values, head, out),
        "G92" => head.e = values.get(&'E').copied().unwrap_or(head.e),
        "G28" => head.place = [0.0; 3],
        "M82" => head.relative_e = false,
        "M83" => head.relative_e = true,
        "M140" | "M190" => out.bed = out.bed.max(values[&'S']),
        "M104" | "M109" => out.nozzle = out.nozzle.max(values[&'S']),
        "G21" | "G90" | "M84" | "M106" | "M107" => {}
        other => panic!("{other} is not expected in a demo job"),
    }
}

fn travel(command: &str, values: &HashMap<char, f64>, head: &mut Head, out: &mut Read) {
    let from = head.place;
    for (axis, letter) in ['X', 'Y', 'Z'].into_iter().enumerate() {
        head.place[axis] = values.get(&letter).copied().unwrap_or(from[axis]);
    }
    head.feed = values.get(&'F').copied().unwrap_or(head.feed);
    let e = values.get(&'E').map_or(0.0, |e| if head.relative_e { *e } else { e - head.e });
    head.e += e;
    head.pushed += e;
    let points = match command {
        "G0" | "G1" => vec![from, head.place],
        _ => arc(from, head.place, values[&'I'], values[&'J'], command == "G2"),
    };
    let length: f64 = points.windows(2).map(|pair| distance(pair[0], pair[1])).sum();
    out.seconds += if length > 0.0 { length } else { e.abs() } / head.feed * 60.0;
    out.ends.push(head.place);
    if head.pushed > head.most + 1e-9 {
        let range = |axis: usize| {
            points.iter().fold((f64::MAX, f64::MIN), |(low, high), p| (low.min(p[axis]), high.max(p[axis])))
        };
        let moving = from[..2] != head.place[..2] || points.len() > 2;
        let filament = head.pushed - head.most;
        out.laid.push(Laid { x: range(0), y: range(1), z: head.place[2], filament, moving });
        head.most = head.pushed;
    }
}

/// Points along an arc, a degree or less apart.
fn arc(from: [f64; 3], to: [f64; 3], i: f64, j: f64, clockwise: bool) -> Vec<[f64; 3]> {
    let (cx, cy) = (from[0] + i, from[1] + j);
    let angle = |p: [f64; 3]| (p[1] - cy).atan2(p[0] - cx);
    let radius = i.hypot(j);
    let end_radius = (to[0] - cx).hypot(to[1] - cy);
    assert!((radius - end_radius).abs() < 0.002, "arc from radius {radius} to {end_radius}");
    let start = angle(from);
    let mut sweep = (angle(to) - start).rem_euclid(std::f64::consts::TAU);
    if clockwise {
        sweep -= std::f64::consts::TAU;
    }
    let point = |k: u32| {
        let a = start + sweep * f64::from(k) / 360.0;
        [cx + radius * a.cos(), cy + radius * a.sin(), from[2]]
    };
    (0..=360).map(point).collect()
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum::<f64>().sqrt()
}
