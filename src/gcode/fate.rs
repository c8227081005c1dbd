//! What becomes of a line on its way to the printer: sent, left out, or a reason to ask a person or to refuse the file.
//!
//! One pure function, used by the survey and again at sending time, so that what a survey lets through is what is sent.

use std::borrow::Cow;

use super::commands::{Kind, kind_of};
use super::heat::{Heater, asked_of_heater};
use super::lex::{Line, Oddity, Word};
use super::number::parse_number;
use crate::job::Limits;

/// Room that a line needs beside its own text: `N99999999 ` before it, `*255` and the end behind it, bytes.
pub const NUMBERING_BYTES: usize = 15;

/// Least nozzle temperature, °C, that a file may set as the limit below which no filament is pushed. Common practice.
const COLD_EXTRUSION_LEAST_C: f64 = 150.0;

const UNKNOWN: &str = "is no command that is known here";

/// What becomes of messages that describe the whole file's progress (`M73`, `M117`).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Progress {
    /// They are sent.
    #[default]
    Sent,
    /// They are left out.
    LeftOut,
}

/// What decides a line's fate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Policy {
    /// What the machine can take.
    pub limits: Limits,
    /// What becomes of progress messages.
    pub progress: Progress,
    /// The tool number that moves the belt, where one does: no file may select it.
    pub belt_tool: Option<u32>,
    /// The axis letter that moves the belt, upper case, where one does: no file may name it.
    pub belt_axis: Option<u8>,
}

impl Policy {
    /// Whether plain moves need no look at their letters: none of them moves the belt.
    pub(crate) fn may_run(&self) -> bool {
        !self.belt_axis.is_some_and(|axis| matches!(axis, b'X' | b'Y' | b'Z' | b'E' | b'F'))
    }
}

/// What becomes of a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fate {
    /// It is sent.
    Pass,
    /// There is nothing to send: blank, or a comment alone.
    Blank,
    /// It is left out, and counted.
    Drop,
    /// It is sent once a person has agreed.
    Concern(Reason),
    /// It never is: the file is refused.
    Refuse(Reason),
}

/// Why a line needs a person's yes, or is refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reason {
    /// Stable kebab-case keyword.
    pub code: &'static str,
    /// What is said of the line, to be put behind the line itself: `is the emergency stop`.
    pub text: Cow<'static, str>,
}

/// Decides a line's fate by itself, without what went before it.
#[must_use]
pub fn fate_of(line: &Line<'_>, words: &[Word], policy: &Policy) -> Fate {
    let Some(first) = words.first() else {
        let found = [fate_of_unsendable(line, false), fate_of_length(line, &policy.limits), fate_of_oddity(line)];
        return found.into_iter().flatten().fold(Fate::Blank, worst);
    };
    if is_plain_move(line, words, policy) { Fate::Pass } else { fate_of_any(first, line, words, policy) }
}

fn fate_of_any(first: &Word, line: &Line<'_>, words: &[Word], policy: &Policy) -> Fate {
    let own = fate_of_command(first, words, policy);
    if own == Fate::Drop {
        return own;
    }
    let unsendable = if first.letter == b'N' {
        Some(second_number())
    } else {
        fate_of_unsendable(line, kind_of(first) == Kind::Progress)
    };
    if unsendable == Some(Fate::Drop) {
        return Fate::Drop;
    }
    let found = [
        unsendable,
        fate_of_length(line, &policy.limits),
        fate_of_oddity(line),
        fate_of_marks(line),
        fate_of_belt_axis(words, policy),
        fate_of_belt_scale(first, words, policy),
        Some(own),
        Some(fate_of_rest(first, line, words, policy)),
    ];
    found.into_iter().flatten().fold(Fate::Pass, worst)
}

/// What is to be done with a line on its way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Sifted {
    /// The command is to be sent.
    Send,
    /// It is left out, and counted.
    LeftOut,
    /// There is nothing to send.
    Nothing,
    /// It must not be sent, nor anything behind it.
    Refused(Reason),
}

/// Puts what is to be sent of a line into `command`, without number, checksum and comment. A concern is sent: a person has
/// agreed by then.
pub fn sift(line: &Line<'_>, words: &[Word], policy: &Policy, command: &mut Vec<u8>) -> Sifted {
    command.clear();
    match fate_of(line, words, policy) {
        Fate::Drop => Sifted::LeftOut,
        Fate::Refuse(reason) => Sifted::Refused(reason),
        Fate::Blank => Sifted::Nothing,
        Fate::Pass | Fate::Concern(_) => {
            line.sendable(command);
            if command.trim_ascii().is_empty() { Sifted::Nothing } else { Sifted::Send }
        }
    }
}

/// Whether the line is what nearly every line is, `G0` to `G3` with a number behind each of the usual letters and none twice:
/// all that the long way would find is nothing.
fn is_plain_move(line: &Line<'_>, words: &[Word], policy: &Policy) -> bool {
    const USUAL: u32 =
        bit(b'X') | bit(b'Y') | bit(b'Z') | bit(b'E') | bit(b'F') | bit(b'I') | bit(b'J') | bit(b'K') | bit(b'R');
    let is_move = words[0].letter == b'G' && matches!(words[0].value, 0.0 | 1.0 | 2.0 | 3.0);
    // Each word but the first gets a blank before it when it is sent.
    let fits = line.body.len() + words.len() - 1 <= room_of(&policy.limits);
    let is_bare = line.oddity.is_none() && line.checksum.is_none() && !line.is_quoting && !line.block_delete;
    let mut unseen = USUAL & !policy.belt_axis.map_or(0, bit);
    is_move
        && fits
        && is_bare
        && words[0].has_value
        && words[1..].iter().all(|word| {
            let is_good = word.has_value && unseen & bit(word.letter) != 0;
            unseen &= !bit(word.letter);
            is_good
        })
}

/// The one that weighs more; the first of two that weigh the same.
fn worst(first: Fate, second: Fate) -> Fate {
    let weight = |fate: &Fate| match fate {
        Fate::Refuse(_) => 2,
        Fate::Concern(_) => 1,
        Fate::Pass | Fate::Blank | Fate::Drop => 0,
    };
    if weight(&second) > weight(&first) { second } else { first }
}

/// Bytes of a line beside number and checksum.
pub(crate) const fn room_of(limits: &Limits) -> usize {
    (limits.line_bytes_max as usize).saturating_sub(NUMBERING_BYTES)
}

fn fate_of_length(line: &Line<'_>, limits: &Limits) -> Option<Fate> {
    let room = room_of(limits);
    // Before each letter comes a blank when it is sent.
    if 2 * line.body.len() <= room {
        return None;
    }
    let mut sendable = Vec::with_capacity(line.body.len());
    line.sendable(&mut sendable);
    let length = sendable.len();
    (length > room).then(|| {
        refuse(
            "line-too-long",
            format!("has {length} bytes without its comment; the printer takes {room} beside number and checksum"),
        )
    })
}

/// A line that the wire cannot number would end the print where it stands. Words alone can always be sent. What cannot is left
/// out where it only tells how far the print is: `M117 *** tray clip ***` is worth no file.
fn fate_of_unsendable(line: &Line<'_>, is_progress: bool) -> Option<Fate> {
    if line.text.is_none() && line.oddity.is_none() && !line.is_quoting {
        return None;
    }
    let mut sendable = Vec::with_capacity(line.body.len());
    line.sendable(&mut sendable);
    if sendable.trim_ascii_start().first() == Some(&b'N') {
        return Some(second_number());
    }
    let mark = sendable.into_iter().find(|byte| matches!(byte, b'*' | b';' | b'\r' | b'\n' | 0))?;
    if is_progress {
        return Some(Fate::Drop);
    }
    let what = match mark {
        b'*' | b';' => format!("has {} inside a text", shown_byte(mark)),
        _ => "has a line break or a zero byte inside a text".to_owned(),
    };
    Some(refuse("cut-text", format!("{what}, where a printer would take the line to end; take it out")))
}

/// What cannot be read may hide a command that must not be sent.
fn fate_of_oddity(line: &Line<'_>) -> Option<Fate> {
    let fate = match line.oddity? {
        Oddity::Expression => concern("expression", "holds an expression or a parameter, which is not worked out here"),
        Oddity::OpenComment => concern("open-comment", "opens a comment with `(` and does not close it"),
        Oddity::BrokenNumber(letter) => broken_number(letter),
        Oddity::Stray(byte) => concern("not-understood", format!("has {} where a word was expected", shown_byte(byte))),
    };
    Some(hidden_refusal(line.body).unwrap_or(fate))
}

fn fate_of_marks(line: &Line<'_>) -> Option<Fate> {
    if line.block_delete {
        return Some(concern("optional-line", "begins with `/`, which asks some machines to skip the line"));
    }
    if line.checksum.is_some_and(|checksum| !checksum.holds()) {
        return Some(concern("checksum", "has a checksum that does not fit its bytes; the file may be damaged"));
    }
    None
}

/// The fate of one command, with all words of its line as its arguments.
fn fate_of_command(command: &Word, words: &[Word], policy: &Policy) -> Fate {
    if !matches!(command.letter, b'G' | b'M' | b'T') {
        return concern("no-command", "has no command, and not every printer goes on with the one before");
    }
    let value = |letter| words.iter().find(|word| word.letter == letter && word.has_value).map(|word| word.value);
    match kind_of(command) {
        Kind::Plain => fate_of_heat(command, words, &policy.limits),
        Kind::Progress if policy.progress == Progress::LeftOut => Fate::Drop,
        Kind::Progress => Fate::Pass,
        Kind::Dropped => Fate::Drop,
        Kind::Concern(code, text) => concern(code, text),
        Kind::Refused(code, text) => refuse(code, text),
        Kind::Tool(tool) if policy.belt_tool == Some(tool) => {
            refuse("belt-tool", "selects the tool that moves the belt, which no file may move")
        }
        Kind::Tool(tool) => fate_of_tool(f64::from(tool), &policy.limits).unwrap_or(Fate::Pass),
        Kind::Unknown => worst(concern("unknown-command", UNKNOWN), fate_of_heat(command, words, &policy.limits)),
        Kind::ColdExtrusion => {
            let no_limit = value(b'S').is_some_and(|least| least < COLD_EXTRUSION_LEAST_C);
            if no_limit || value(b'P').is_some_and(|p| p != 0.0) { cold_extrusion() } else { Fate::Pass }
        }
        Kind::SoftLimits if value(b'S') == Some(0.0) => soft_limits(),
        Kind::SoftLimits => Fate::Pass,
    }
}

fn fate_of_heat(command: &Word, words: &[Word], limits: &Limits) -> Fate {
    let Some((heater, hottest)) = asked_of_heater(command, words) else {
        return Fate::Pass;
    };
    let (name, most) = match heater {
        Heater::Bed => ("bed", limits.bed_max_c),
        Heater::Nozzle => ("nozzle", limits.nozzle_max_c),
    };
    if hottest > most {
        return refuse("too-hot", format!("asks for {hottest} °C at the {name}; the machine allows {most} °C"));
    }
    Fate::Pass
}

fn fate_of_tool(tool: f64, limits: &Limits) -> Option<Fate> {
    let last = limits.tools.saturating_sub(1);
    (tool > f64::from(last)).then(|| {
        concern("no-such-tool", format!("names tool {tool}; the last tool of the machine, counted from 0, is {last}"))
    })
}

/// What is wrong with the words behind the command.
fn fate_of_rest(first: &Word, line: &Line<'_>, words: &[Word], policy: &Policy) -> Fate {
    if line.text.is_some() {
        return fate_of_text(first, line);
    }
    let is_move = matches!(first.code(), Some((b'G', 0..=3, 0)));
    let heats_tool = matches!(first.code(), Some((b'M', 104 | 109 | 568, 0)));
    let mut fate = Fate::Pass;
    let mut seen = 0_u32;
    for word in &words[1..] {
        let found = match word.letter {
            b'G' | b'M' if word.has_value => fate_of_further_command(word, words, policy),
            b'T' if word.has_value && heats_tool => fate_of_tool(word.value, &policy.limits),
            letter @ (b'A' | b'B' | b'C' | b'U' | b'V' | b'W') if is_move => Some(concern(
                "extra-axis",
                format!("moves an axis `{}` that is none of a printer's own", char::from(letter)),
            )),
            letter if is_move && !word.has_value => Some(broken_number(letter)),
            letter if is_move && seen & bit(letter) != 0 => {
                Some(concern("repeated-letter", format!("has `{}` twice", char::from(letter))))
            }
            _ => None,
        };
        seen |= bit(word.letter);
        if let Some(found) = found {
            fate = worst(fate, found);
        }
    }
    fate
}

/// The letter of the belt's axis is an argument like any other to an `M` command alone.
fn fate_of_belt_axis(words: &[Word], policy: &Policy) -> Option<Fate> {
    let axis = policy.belt_axis?;
    let named = words.iter().any(|word| word.letter == axis);
    let is_argument = words[0].letter == b'M' && words.iter().all(|word| word.letter != b'G');
    (named && !is_argument).then(|| refuse("belt-axis", "names the axis that moves the belt, which no file may move"))
}

/// `M200`, `M218` and `M221` for the tool that moves the belt would change how far it goes, or move the head when it is selected.
fn fate_of_belt_scale(command: &Word, words: &[Word], policy: &Policy) -> Option<Fate> {
    let tool = f64::from(policy.belt_tool?);
    let scales = matches!(command.code(), Some((b'M', 200 | 218 | 221, 0)));
    let named = words.iter().any(|word| word.letter == b'T' && word.has_value && word.value == tool);
    (scales && named).then(|| refuse("belt-tool", "changes how the tool moves that the belt hangs on"))
}

/// Some printers carry out every command of a line, some the first alone.
fn fate_of_further_command(command: &Word, words: &[Word], policy: &Policy) -> Option<Fate> {
    Some(match fate_of_command(command, words, policy) {
        refused @ Fate::Refuse(_) => refused,
        Fate::Drop => refuse("several-commands", "has a command that is to be left out behind another one"),
        _ => concern("several-commands", "has several commands, of which a printer may carry out the first alone"),
    })
}

/// Not every firmware takes the same commands' arguments for text; messages are text on all of them.
fn fate_of_text(command: &Word, line: &Line<'_>) -> Fate {
    let is_message = matches!(command.code(), Some((b'M', 117 | 118, 0)));
    line.text.filter(|_| !is_message).and_then(hidden_refusal).unwrap_or(Fate::Pass)
}

/// Looks through bytes that are not read as words for a command that is never sent, or is left out.
fn hidden_refusal(bytes: &[u8]) -> Option<Fate> {
    let starts = bytes.iter().enumerate().filter(|(_, byte)| byte.eq_ignore_ascii_case(&b'M')).map(|(at, _)| at);
    starts.into_iter().find_map(|at| {
        let number = parse_number(bytes, at + 1);
        let word = Word { letter: b'M', value: number.value, has_value: number.has_digits };
        match kind_of(&word) {
            Kind::Refused(code, text) => Some(refuse(code, text)),
            Kind::ColdExtrusion => Some(cold_extrusion()),
            Kind::SoftLimits => Some(soft_limits()),
            Kind::Dropped => {
                Some(refuse("not-understood", "hides a command that is to be left out where no word can be read"))
            }
            _ => None,
        }
    })
}

const fn bit(letter: u8) -> u32 {
    1 << (letter.wrapping_sub(b'A') & 31)
}

fn cold_extrusion() -> Fate {
    refuse("cold-extrusion", "lets the printer push filament through a cold nozzle")
}

fn second_number() -> Fate {
    refuse("second-number", "has a second line number, and the printer takes one")
}

fn soft_limits() -> Fate {
    refuse("soft-limits", "switches off the printer's own limits of travel")
}

fn broken_number(letter: u8) -> Fate {
    concern("broken-number", format!("has no whole number behind `{}`", char::from(letter)))
}

fn concern(code: &'static str, text: impl Into<Cow<'static, str>>) -> Fate {
    Fate::Concern(Reason { code, text: text.into() })
}

fn refuse(code: &'static str, text: impl Into<Cow<'static, str>>) -> Fate {
    Fate::Refuse(Reason { code, text: text.into() })
}

fn shown_byte(byte: u8) -> String {
    if byte.is_ascii_graphic() { format!("`{}`", char::from(byte)) } else { format!("the byte {byte}") }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::gcode::lex::lex_line;

    fn judge(text: &str, policy: &Policy) -> Fate {
        let mut words = Vec::new();
        let line = lex_line(text.as_bytes(), &mut words);
        fate_of(&line, &words, policy)
    }

    /// `pass`, `blank`, `drop`, `concern CODE` or `refuse CODE`.
    fn fate(text: &str) -> String {
        match judge(text, &Policy::default()) {
            Fate::Pass => "pass".to_owned(),
            Fate::Blank => "blank".to_owned(),
            Fate::Drop => "drop".to_owned(),
            Fate::Concern(reason) => format!("concern {}", reason.code),
            Fate::Refuse(reason) => format!("refuse {}", reason.code),
        }
    }

    fn all(lines: &[&str], wanted: &str) {
        for line in lines {
            assert_eq!(fate(line), wanted, "{line}");
        }
    }

    #[test]
    fn what_a_print_needs_passes() {
        all(
            &[
                "G1 X1 Y2 E0.5 F1800",
                "g0x1y2",
                "G92 E0",
                "G28 X0 Y0",
                "G28 W",
                "M104 S200",
                "M190 S60",
                "M106 S128",
                "M117 Printing...",
                "M118 A1 P0 hello",
                "M73 P50 R10",
                "T0",
                "M204 P800 T3000 R9000",
                "M486 A\"clip M500\"",
                "G29.1",
                "M82",
                "G10",
                "M302 S170",
                "M302 P0",
                "M211 S1",
                "M105*121",
            ],
            "pass",
        );
        all(&["", "  ", "; M500", "(M500)", "%", "N7"], "blank");
    }

    #[test]
    fn motors_off_line_numbers_and_report_periods_are_left_out() {
        all(&["M84", "M18 X E", "m84 S10", "M85 S60", "M110 N0", "M155 S0", "M113 S0", "M84.1"], "drop");
        assert_eq!(judge("M117 x", &Policy { progress: Progress::LeftOut, ..Policy::default() }), Fate::Drop);
    }

    #[test]
    fn what_harms_the_machine_is_refused() {
        all(&["M500", "M502", "M504", "m0500", "M 5 0 0", "M500.1", "M500.25", "N3 M500"], "refuse stored-settings");
        all(&["M92 E415", "M350 X16"], "refuse step-settings");
        all(&["M303 S200", "M306 T"], "refuse heater-tuning");
        all(&["M997", "M999"], "refuse firmware");
        all(&["M112"], "refuse emergency-stop");
        all(&["M81"], "refuse power-off");
        all(&["M302 S0", "M302 P1"], "refuse cold-extrusion");
        all(&["M211 S0"], "refuse soft-limits");
        all(
            &["M104 S500", "M109 R276", "M140 S111", "M190 R200", "M104 S200 S500", "M104.2 S500", "G10 P0 S300"],
            "refuse too-hot",
        );
        all(&["G1 X10 ; a comment may be as long as it likes, for it is not sent to the printer: 0123456789"], "pass");
        assert_eq!(fate(&format!("M117 {}", "x".repeat(200))), "refuse line-too-long");
        // 81 bytes as it is written, 90 as it is sent.
        let dense = format!("G1X1Y1Z1E1F{}I1J1K1R1", "0".repeat(62));
        assert_eq!((dense.len(), fate(&dense).as_str()), (81, "refuse line-too-long"));
        assert_eq!(fate(&format!("M{}", "A".repeat(50))), "refuse line-too-long");
        assert_eq!(fate(&format!("[{}", "A".repeat(50))), "refuse line-too-long");
    }

    #[test]
    fn what_a_person_should_know_is_a_concern() {
        all(&["M0", "M1 Take the part", "M226", "M25", "M600", "M601"], "concern waits-for-person");
        all(&["T1", "T7", "M104 S200 T1"], "concern no-such-tool");
        all(&["M28 a.gco", "M29", "M30 a.gco", "M23 a.gco", "M24", "M928 log.txt"], "concern card");
        all(&["G81 X1", "M4321", "G5 X1", "TIMELAPSE", "M", "G1.5 X2", "M104.2 S9"], "concern unknown-command");
        all(&["X10", "Y5 Z2"], "concern no-command");
        all(&["G21 G0 X1", "G1 X1 M106"], "concern several-commands");
        all(&["G1 X[1+2]", "G1 X#3", "G1 X{a}"], "concern expression");
        all(&["G1 X1 A5"], "concern extra-axis");
        all(&["G1 X-", "G1 X", "G1 X."], "concern broken-number");
        all(&["G1 X1 X2"], "concern repeated-letter");
        all(&["G1 X1 (open"], "concern open-comment");
        all(&["facet normal 0 0 1"], "concern no-command");
        all(&["@home", "T?", "\u{e9}"], "concern not-understood");
        all(&["N3 T0*58"], "concern checksum");
        all(&["/G1 X1"], "concern optional-line");
        all(&["M149 F"], "concern temperature-units");
    }

    #[test]
    fn a_refused_command_cannot_hide() {
        all(
            &["G1 X1 M500", "G21 M500", "M1 M500", "G1 X[1] M500", "@ m500", "M16 name M 500", "G1 X{a} m500.1"],
            "refuse stored-settings",
        );
        all(&["G1 X1 M84"], "refuse several-commands");
        all(&["M106 M104 S500"], "refuse too-hot");
        all(&["G1 X1 (M500)", "M117 M500", "G1 X1 ; M500"], "pass");
    }

    #[test]
    fn a_line_that_cannot_be_numbered_never_gets_as_far_as_the_wire() {
        all(&["M117 *** tray clip ***", "N4 M117 a*b*77", "M117 a\rb", "M73 =*"], "drop");
        all(
            &["M118 2*3", "M16 a*b", "M486 A\"clip; left\"", "G1 X1\"a;b\"", "G1 X[2*3]", "M118 a\rb", ".1 F2*00"],
            "refuse cut-text",
        );
        all(&["N5 N6 G1 X1", "N G1 X1", "\u{c}N6 G1 X1"], "refuse second-number");
        let mut words = Vec::new();
        let line = lex_line(b"\x0c \x0c", &mut words);
        assert_eq!(sift(&line, &words, &Policy::default(), &mut Vec::new()), Sifted::Nothing);
        all(&["M117 (done)", "M486 A\"clip, left\"", "M118 text (a", "G1 X1 (a*b)"], "pass");
    }

    #[test]
    fn no_file_moves_the_belt() {
        let policy = Policy { belt_tool: Some(1), belt_axis: Some(b'A'), ..Policy::default() };
        for line in ["T1", "G1 A5", "G1 X1 A5", "G92 A0", "A5", "G28 A", "M106 G1 A5"] {
            assert!(matches!(judge(line, &policy), Fate::Refuse(_)), "{line}");
        }
        for line in ["M221 T1 S50", "M200 T1 D1.75", "M218 T1 X20"] {
            assert!(matches!(judge(line, &policy), Fate::Refuse(_)), "{line}");
        }
        assert_eq!(judge("M221 S95", &policy), Fate::Pass);
        assert_eq!(judge("M118 A1 hello", &policy), Fate::Pass);
        assert_eq!(judge("T0", &policy), Fate::Pass);
    }

    proptest! {
        #[test]
        fn the_short_way_lets_through_what_the_long_way_does(
            text in "(N1 )?/?[GM]-?[0-5](\\.1)?( ?[XYZEFIJKRAST][0-9.]{0,3}){0,5}( M500|\\*1|[ -~])?",
        ) {
            let mut words = Vec::new();
            let line = lex_line(text.as_bytes(), &mut words);
            let policy = Policy { belt_axis: Some(b'Z'), ..Policy::default() };
            if !words.is_empty() && is_plain_move(&line, &words, &policy) {
                prop_assert_eq!(fate_of_any(&words[0], &line, &words, &policy), Fate::Pass);
            }
        }
    }
}
