//! The survey of a sliced file: one pass over its bytes, in whatever pieces they come, and the rules that it is made by.

use super::bounds::{Bounds, round6};
use super::comments::{Facts, marks_composed};
use super::fate::{Fate, Policy, Progress, fate_of, room_of};
use super::feed_time::FeedTime;
use super::findings::Findings;
use super::heat::Heat;
use super::laid::Laid;
use super::layers::{Layers, Stack};
use super::lex::{Line, Oddity, Word, lex_line};
use super::looks::{HEAD_BYTES, looks_like};
use super::modes::Dialect;
use super::motion::PrintTime;
use super::moves::Move;
use super::reach::Outside;
use super::run::{LINES, Scan, Steps};
use super::walk::{Walked, Walker};
use crate::job::{Dropped, Filament, FileFacts, Finding, Limits, Material, MotionLimits, Survey};

/// Bytes of a line that are looked at. What is longer can only be a comment, or is refused.
const LINE_BYTES_MAX: usize = 64 * 1024;

/// What a survey is made by.
#[derive(Clone, Debug, PartialEq)]
pub struct Rules {
    /// What the machine can take.
    pub limits: Limits,
    /// How fast it moves and how soon, for the print time.
    pub motion: MotionLimits,
    /// What differs between firmware families.
    pub dialect: Dialect,
    /// What becomes of progress messages.
    pub progress: Progress,
    /// The tool number that moves the belt, where one does.
    pub belt_tool: Option<u32>,
    /// The axis letter that moves the belt, upper case, where one does.
    pub belt_axis: Option<u8>,
    /// Filament diameter, mm, where the file's own comments do not say it.
    pub filament_diameter_mm: f64,
    /// Known materials, for mass.
    pub materials: Vec<Material>,
    /// Material where the file's own comments do not say it.
    pub material: Option<String>,
}

impl Default for Rules {
    /// The common small machine of [`Limits::default`], firmware family M, filament of 1.75 mm, no material known.
    fn default() -> Self {
        Self {
            limits: Limits::default(),
            motion: MotionLimits::default(),
            dialect: Dialect::default(),
            progress: Progress::default(),
            belt_tool: None,
            belt_axis: None,
            filament_diameter_mm: 1.75,
            materials: Vec::new(),
            material: None,
        }
    }
}

impl Rules {
    /// What of it decides the fate of lines, here and when they are sent.
    #[must_use]
    pub const fn policy(&self) -> Policy {
        Policy { limits: self.limits, progress: self.progress, belt_tool: self.belt_tool, belt_axis: self.belt_axis }
    }
}

/// A survey under way, but for the content hash: that is for [`Surveyor`](super::Surveyor) to add in the same pass, or for
/// whoever has another core to spare. Its memory does not grow with the file, but for the heights of its layers, which are
/// capped.
#[derive(Debug)]
pub struct Reading {
    rules: Rules,
    policy: Policy,
    bytes: u64,
    head: Vec<u8>,
    /// The beginning of a line whose end has not come yet, and how long it is already.
    carry: Vec<u8>,
    carried: u64,
    lines: u64,
    /// Bytes up to the end of the line in hand.
    line_end: u64,
    /// The line with the first zero byte.
    first_nul: Option<u64>,
    words: Vec<Word>,
    walker: Walker,
    steps: Box<Steps>,
    /// What each of them laid, nm.
    laid_nm: Box<[f64; LINES]>,
    laid: Laid,
    layers: Layers,
    commanded: Bounds,
    outside: Outside,
    heat: Heat,
    facts: Facts,
    feed_time: FeedTime,
    print_time: PrintTime,
    dropped: Vec<Dropped>,
    concerns: Findings,
    refusals: Findings,
}

impl Reading {
    /// A survey of a file of which nothing has been seen.
    #[must_use]
    pub fn new(rules: &Rules) -> Self {
        Self {
            policy: rules.policy(),
            bytes: 0,
            head: Vec::with_capacity(HEAD_BYTES),
            carry: Vec::new(),
            carried: 0,
            lines: 0,
            line_end: 0,
            first_nul: None,
            words: Vec::with_capacity(16),
            walker: Walker::new(rules.dialect),
            steps: Box::default(),
            laid_nm: Box::new([0.0; LINES]),
            laid: Laid::default(),
            layers: Layers::default(),
            commanded: Bounds::default(),
            outside: Outside::default(),
            heat: Heat::default(),
            facts: Facts::default(),
            feed_time: FeedTime::default(),
            print_time: PrintTime::new(&rules.motion, rules.dialect.m203_per_minute),
            dropped: Vec::new(),
            concerns: Findings::default(),
            refusals: Findings::default(),
            rules: rules.clone(),
        }
    }

    /// Takes the next bytes of the file, cut anywhere.
    pub fn handle_bytes(&mut self, bytes: &[u8]) {
        self.handle_piece(bytes, None);
    }

    /// Takes the next bytes of the file, in which a [`Scanner`](super::Scanner) has found runs already: what comes of it is the
    /// same as without. `scan` is used up.
    pub fn handle_scanned(&mut self, bytes: &[u8], scan: &mut Scan) {
        self.handle_piece(bytes, Some(scan));
    }

    fn handle_piece(&mut self, bytes: &[u8], mut scan: Option<&mut Scan>) {
        self.bytes += bytes.len() as u64;
        let wanted = HEAD_BYTES - self.head.len();
        self.head.extend_from_slice(&bytes[..bytes.len().min(wanted)]);
        let mut at = 0;
        loop {
            if self.carried == 0 {
                at = self.handle_plain_moves(bytes, at, scan.as_deref_mut());
            }
            let rest = &bytes[at..];
            let Some(length) = memchr::memchr(b'\n', rest) else { break };
            let line = &rest[..length];
            if self.carried == 0 {
                self.find_nul(line);
                self.handle_line(line, line.len() as u64, Ending::LineFeed);
            } else {
                self.carry_on(line);
                self.handle_carried(Ending::LineFeed);
            }
            at += length + 1;
        }
        if at < bytes.len() {
            self.carry_on(&bytes[at..]);
        }
    }

    /// What was found. `sha256` is what [`ContentHash`](super::ContentHash) says of the same bytes.
    #[must_use]
    pub fn finish(mut self, sha256: String) -> Survey {
        if self.carried > 0 {
            self.handle_carried(Ending::Missing);
        }
        let stack = std::mem::take(&mut self.layers).finish(self.facts.layer_height_mm);
        let filament = self.filament();
        let (purges, unlisted) = std::mem::take(&mut self.laid).into_purges();
        self.find_in_whole(&stack, unlisted);
        let (concerns, refusals) = self.take_findings();
        let (time_s, timetable) = self.print_time.finish(self.bytes);
        Survey {
            file: FileFacts { bytes: self.bytes, lines: self.lines, sha256 },
            footprint: stack.footprint,
            first_layer: stack.first,
            reach: self.commanded.reach(self.walker.machine_mm()),
            height_mm: stack.height_mm,
            layers: u32::try_from(stack.z_mm.len()).unwrap_or(u32::MAX),
            layer_z_mm: stack.z_mm,
            filament,
            feed_time_s: round6(self.feed_time.total_s()),
            time_s,
            timetable,
            purges,
            temperatures: self.heat.asked(),
            material: self.facts.materials.first().cloned(),
            filament_diameter_mm: self.facts.diameter_mm.unwrap_or(self.rules.filament_diameter_mm),
            end_z_mm: self.walker.known().has(2).then(|| round6(self.walker.machine_mm()[2])),
            concerns,
            refusals,
            dropped: self.dropped,
        }
    }

    /// Takes plain moves for as long as one follows upon another; says where the first that is none stands.
    fn handle_plain_moves(&mut self, bytes: &[u8], mut at: usize, mut scan: Option<&mut Scan>) -> usize {
        if !self.policy.may_run() {
            return at;
        }
        while self.print_time.takes_runs(&self.walker)
            && self.laid.takes_runs(self.walker.tool())
            && let Some(start) = self.walker.start_of_run()
        {
            self.find_run(bytes, at, scan.as_deref_mut());
            if self.steps.run.lines == 0 {
                break;
            }
            self.steps.place(&start);
            self.handle_run();
            at += self.steps.run.bytes;
        }
        at
    }

    /// Reads the run that begins at `at`, or takes it from those that were found before.
    fn find_run(&mut self, bytes: &[u8], at: usize, scan: Option<&mut Scan>) {
        let feed = self.walker.feed_mm_min().unwrap_or_default();
        let run = &mut self.steps.run;
        let mut end = bytes.len();
        if let Some(scan) = scan {
            if scan.take(at, run) {
                return run.begin_with(feed);
            }
            // The head of a run may have gone the long way.
            end = scan.end_around(at);
        }
        run.read(&bytes[..end], at, room_of(&self.policy.limits), feed);
    }

    fn handle_run(&mut self) {
        let steps = &*self.steps;
        self.walker.take_run(steps);
        self.feed_time.take_run(steps);
        let bounds = steps.bounds();
        // Where the run begins was not commanded by it: that counts if it was commanded before.
        if !self.commanded.contains(&bounds) {
            for at in 0..steps.count() {
                if self.commanded.take_commanded(&steps.motion(at)) {
                    let line = self.lines + u64::from(steps.run.line[at]);
                    self.outside.check(&self.commanded, &self.rules.limits, line, &mut self.refusals);
                }
            }
        }
        self.laid.take_run(self.lines, self.walker.tool(), steps, &mut self.laid_nm);
        self.layers.take_run(steps, &self.laid_nm, &bounds);
        self.print_time.take_run(steps, self.line_end);
        self.lines += steps.run.lines as u64;
        self.line_end += steps.run.bytes as u64;
    }

    fn carry_on(&mut self, bytes: &[u8]) {
        self.find_nul(bytes);
        let room = LINE_BYTES_MAX.saturating_sub(self.carry.len());
        self.carry.extend_from_slice(&bytes[..bytes.len().min(room)]);
        self.carried += bytes.len() as u64;
    }

    /// Looks for a zero byte in bytes of the line that is next. Plain moves have none.
    fn find_nul(&mut self, bytes: &[u8]) {
        if self.first_nul.is_none() && memchr::memchr(0, bytes).is_some() {
            self.first_nul = Some(self.lines + 1);
        }
    }

    fn handle_carried(&mut self, ending: Ending) {
        let line = std::mem::take(&mut self.carry);
        self.handle_line(&line, self.carried, ending);
        self.carry = line;
        self.carry.clear();
        self.carried = 0;
    }

    /// Takes one line, of which `bytes` may be the beginning and `length` tells all.
    fn handle_line(&mut self, bytes: &[u8], length: u64, ending: Ending) {
        self.lines += 1;
        self.line_end += length + u64::from(ending == Ending::LineFeed);
        let bytes = &bytes[..bytes.len().min(LINE_BYTES_MAX)];
        let mut words = std::mem::take(&mut self.words);
        let line = lex_line(bytes, &mut words);
        if let Some(comment) = line.comment
            && words.is_empty()
        {
            self.facts.take(comment);
            if marks_composed(comment) {
                self.find_composed();
            }
        }
        let is_whole = length == bytes.len() as u64;
        if !is_whole && !ends_in_comment(&line, bytes) {
            let room = self.rules.limits.line_bytes_max;
            self.refusals.add("line-too-long", self.lines, || {
                format!("this line has {length} bytes, and the printer takes {room}")
            });
        } else {
            self.handle_words(&line, &words);
        }
        if is_whole && ending == Ending::Missing {
            self.find_cut(&line, &words);
        }
        self.words = words;
    }

    fn handle_words(&mut self, line: &Line<'_>, words: &[Word]) {
        match fate_of(line, words, &self.policy) {
            Fate::Blank => return,
            Fate::Pass => {}
            Fate::Drop => self.count_dropped(words),
            Fate::Concern(reason) => {
                self.concerns.add(reason.code, self.lines, || format!("`{}` {}", excerpt(line), reason.text));
            }
            Fate::Refuse(reason) => {
                self.refusals.add(reason.code, self.lines, || format!("`{}` {}", excerpt(line), reason.text));
            }
        }
        if let Some(command) = words.first() {
            self.find_wait_for_cooling(line, words);
            if !self.walker.is_writing_card() {
                self.heat.take(command, words);
            }
        }
        let walked = self.walker.handle_line(line, words);
        self.feed_time.take_dwell(walked.dwell_s);
        self.print_time.handle_line(&self.walker, words, &walked, self.line_end);
        self.handle_walked(line, &walked);
    }

    fn handle_walked(&mut self, line: &Line<'_>, walked: &Walked) {
        if let Some(fault) = walked.fault {
            self.concerns.add("arc", self.lines, || format!("`{}` {fault}", excerpt(line)));
        }
        if let Some(motion) = &walked.motion {
            self.handle_move(motion, motion.length_mm());
        }
    }

    fn handle_move(&mut self, motion: &Move, length_mm: f64) {
        self.feed_time.take(motion, length_mm);
        if self.commanded.take_commanded(motion) {
            self.outside.check(&self.commanded, &self.rules.limits, self.lines, &mut self.refusals);
        }
        let laid = self.laid.take(self.lines, self.walker.tool(), motion);
        if laid > 0 && motion.is_over_bed() {
            self.layers.take_laid(motion, length_mm);
        } else {
            self.layers.take_travel(motion);
        }
    }

    fn count_dropped(&mut self, words: &[Word]) {
        let command = format!("{}{}", char::from(words[0].letter), words[0].value.trunc());
        match self.dropped.iter_mut().find(|dropped| dropped.command == command) {
            Some(dropped) => dropped.count += 1,
            None => self.dropped.push(Dropped { command, count: 1 }),
        }
    }

    /// `M190 R` far below what was asked before makes the printer wait until the bed is cool: that is the line's own task.
    fn find_wait_for_cooling(&mut self, line: &Line<'_>, words: &[Word]) {
        /// Between layers a bed may be taken back by a few degrees.
        const STEP_BACK_C: f64 = 10.0;
        if words[0].code() != Some((b'M', 190, 0)) {
            return;
        }
        let target = words.iter().find(|word| word.letter == b'R' && word.has_value).map(|word| word.value);
        let (Some(target), Some(hottest)) = (target, self.heat.asked().bed_max_c) else { return };
        if target < hottest - STEP_BACK_C {
            self.concerns.add("waits-for-cooling", self.lines, || {
                format!(
                    "`{}` waits until the bed has cooled, which the daemon does by itself after each part",
                    excerpt(line)
                )
            });
        }
    }

    /// Such a file ejects its part by itself and has no clear check: here the part would be ejected twice.
    fn find_composed(&mut self) {
        self.refusals.add("composed", self.lines, || {
            "this file was composed for a card: it cools and moves the belt by itself; take the file that it was made from"
                .to_owned()
        });
    }

    /// A last line without its end may have been cut off.
    fn find_cut(&mut self, line: &Line<'_>, words: &[Word]) {
        let Some(first) = words.first() else { return };
        let last = words[words.len() - 1];
        let takes_bare_letters = matches!(first.code(), Some((b'G', 28 | 29, 0) | (b'M', 17 | 18 | 84, 0)));
        if line.comment.is_none() && !last.has_value && line.text.is_none() && !takes_bare_letters {
            self.refusals.add("cut-off", self.lines, || {
                format!("the file ends inside a word, at `{}`; it was not copied whole", excerpt(line))
            });
        } else if line.comment.is_none() && matches!(first.code(), Some((b'G', 0..=3, 0))) {
            self.concerns.add("cut-off", self.lines, || {
                format!(
                    "the file ends with the move `{}` and no line feed; it may not have been copied whole",
                    excerpt(line)
                )
            });
        }
    }

    fn find_in_whole(&mut self, stack: &Stack, purges_unlisted: u64) {
        if stack.footprint.is_none() {
            self.refusals.add("nothing-printed", 0, || "no move in the file lays plastic on the bed".to_owned());
        }
        if stack.is_full {
            self.concerns.add("too-many-layers", 0, || {
                format!("plastic is laid at more than {} heights; those behind are not counted", stack.z_mm.len())
            });
        }
        if purges_unlisted > 0 {
            self.concerns.add("many-purges", 0, || {
                format!("plastic is pushed out standing still at {purges_unlisted} places more than are listed; the outermost are")
            });
        }
    }

    /// What the whole file looks like goes before whatever its bytes mean as words.
    fn take_findings(&mut self) -> (Vec<Finding>, Vec<Finding>) {
        let whole = if self.bytes == 0 {
            Some(("empty", 0, "the file is empty".to_owned()))
        } else if let Some(look) = looks_like(&self.head, self.bytes) {
            Some(("not-gcode", 0, format!("this is no sliced file: it looks like {look}")))
        } else {
            let damaged = |line| {
                ("not-gcode", line, "zero bytes are in the file: it is binary, or was not copied whole".to_owned())
            };
            self.first_nul.map(damaged)
        };
        if let Some((code, line, text)) = whole {
            return (Vec::new(), vec![Finding { code: code.to_owned(), line, text }]);
        }
        (std::mem::take(&mut self.concerns).into_list(), std::mem::take(&mut self.refusals).into_list())
    }

    fn filament(&self) -> Vec<Filament> {
        let radius = self.facts.diameter_mm.unwrap_or(self.rules.filament_diameter_mm) / 2.0;
        let area = std::f64::consts::PI * radius * radius;
        let filament = |(tool, length_mm): (u32, f64)| {
            let volume = area * length_mm / 1000.0;
            let material = self.facts.material_of(tool).or(self.rules.material.as_deref());
            let known = self.rules.materials.iter().find(|known| Some(known.name.as_str()) == material);
            Filament {
                tool,
                length_mm: round6(length_mm),
                volume_cm3: round6(volume),
                mass_g: known.map(|known| round6(volume * known.density_g_cm3)),
            }
        };
        self.laid.lengths_mm().into_iter().map(filament).collect()
    }
}

/// How a line ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ending {
    LineFeed,
    Missing,
}

/// Whether these bytes, the beginning of a line, reach into a comment that goes on to the line's end.
fn ends_in_comment(line: &Line<'_>, bytes: &[u8]) -> bool {
    let reaches_end = |comment: &[u8]| comment.as_ptr_range().end == bytes.as_ptr_range().end;
    line.comment.is_some_and(reaches_end) && line.oddity != Some(Oddity::OpenComment)
}

/// The beginning of a line as it would be sent, fit to be shown.
fn excerpt(line: &Line<'_>) -> String {
    const SHOWN: usize = 40;
    let mut sendable = Vec::new();
    let head = Line { body: &line.body[..line.body.len().min(2 * SHOWN)], ..*line };
    head.sendable(&mut sendable);
    let text: String = String::from_utf8_lossy(&sendable).chars().filter(|c| !c.is_control()).take(SHOWN).collect();
    text.trim().to_owned()
}
