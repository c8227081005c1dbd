//! A command as it goes over the wire: `N<line> <command>*<checksum>`.

/// Bytes that number and checksum add to a command at most: `N`, five digits, a blank, `*`, three digits.
pub const FRAME_BYTES_MAX: usize = 11;

/// Emergency stop, the one command that is sent without a number. The line break in front ends whatever was half written,
/// so that the stop stands at the start of a line, where firmware that scans incoming bytes for it looks.
pub const EMERGENCY_STOP: &[u8] = b"\nM112\n";

/// Why a command cannot be sent.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CommandError {
    /// Nothing to send.
    #[error("the command is empty; only lines with a command can be numbered")]
    Empty,
    /// A line break or NUL in the middle would make two commands of one.
    #[error("byte {at} of the command is a line break or NUL; send one command at a time")]
    Broken {
        /// Offset in the command, bytes.
        at: usize,
    },
    /// The command has a line number of its own.
    #[error("the command has a line number of its own; take it off, the dialogue numbers the lines")]
    Numbered,
    /// `*` opens the checksum and `;` a comment: either would hide the checksum from the printer.
    #[error(
        "byte {at} of the command is {found:?}, which would cut off the checksum; take comment or checksum off first"
    )]
    Mark {
        /// Offset in the command, bytes.
        at: usize,
        /// `*` or `;`.
        found: char,
    },
    /// M110 would change the numbering under the dialogue's feet.
    #[error("the command sets the line number, which is the dialogue's own business; leave it out")]
    SetsNumber,
    /// The printer's line buffer cannot hold it.
    #[error("the command has {found} bytes, and the printer's line buffer leaves room for {most}; shorten it")]
    TooLong {
        /// Length of the command, bytes.
        found: usize,
        /// Longest command that fits, bytes.
        most: usize,
    },
}

/// The checksum: all bytes before the `*` combined by exclusive or, the number and every blank included
/// (RepRap wiki, G-code page).
#[must_use]
pub fn checksum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum ^ byte)
}

/// The line for `command` with its number and checksum, line break included.
#[must_use]
pub fn numbered(line: u32, command: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(command.len() + FRAME_BYTES_MAX + 1);
    bytes.push(b'N');
    bytes.extend_from_slice(line.to_string().as_bytes());
    bytes.push(b' ');
    bytes.extend_from_slice(command);
    let sum = checksum(&bytes);
    bytes.push(b'*');
    bytes.extend_from_slice(sum.to_string().as_bytes());
    bytes.push(b'\n');
    bytes
}

/// The longest command for a printer whose longest line, with number and checksum and without line break, is `line_bytes_max`.
/// Reckoned with the longest number, so that a command fits or not wherever in a print it stands.
#[must_use]
pub const fn command_bytes_max(line_bytes_max: usize) -> usize {
    line_bytes_max.saturating_sub(FRAME_BYTES_MAX)
}

/// Whether `command` can be numbered and sent to a printer that takes lines of `line_bytes_max` bytes.
///
/// # Errors
/// The first thing that stands in the way.
pub fn check_command(command: &[u8], line_bytes_max: usize) -> Result<(), CommandError> {
    if command.trim_ascii().is_empty() {
        return Err(CommandError::Empty);
    }
    for (at, &byte) in command.iter().enumerate() {
        match byte {
            b'\n' | b'\r' | 0 => return Err(CommandError::Broken { at }),
            b'*' | b';' => return Err(CommandError::Mark { at, found: char::from(byte) }),
            _ => {}
        }
    }
    let word = command.trim_ascii_start();
    if word[0].eq_ignore_ascii_case(&b'N') {
        return Err(CommandError::Numbered);
    }
    if is_command(word, b"M110") {
        return Err(CommandError::SetsNumber);
    }
    let most = command_bytes_max(line_bytes_max);
    if command.len() > most {
        return Err(CommandError::TooLong { found: command.len(), most });
    }
    Ok(())
}

/// Whether `command` is the one called `name` (upper case), with or without parameters.
pub(super) fn is_command(command: &[u8], name: &[u8]) -> bool {
    let word = command.trim_ascii_start();
    let Some((head, rest)) = word.split_at_checked(name.len()) else { return false };
    head.eq_ignore_ascii_case(name) && !rest.first().is_some_and(|b| b.is_ascii_digit() || *b == b'.')
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT: usize = 96;

    /// Text before the `*`, checksum after it. RepRap wiki, G-code page (introduction and resend example).
    const WIKI: [(&str, u8); 8] = [
        ("N3 T0", 57),
        ("N4 G92 E0", 67),
        ("N5 G28", 22),
        ("N6 G1 F1500.0", 82),
        ("N7 G1 X2.0 Y2.0 F3000.0", 85),
        ("N8 G1 X3.0 Y3.0", 33),
        ("N66555 G1 X131.338 Y133.349 E0.0091", 91),
        ("N66556 G1 X131.574 Y133.428 E0.0046", 92),
    ];

    /// From examples and serial logs published by users of the protocol.
    const LOGS: [(&str, u8); 19] = [
        ("N0 M106", 36),
        ("N1 G28", 18),
        ("N2 M107", 39),
        ("N10 G92 X0 Y0 Z0 A0 B0", 107),
        ("N2 G28", 17),
        ("N5 M105", 34),
        ("N6 G92 E0", 65),
        ("N7 M105", 32),
        ("N8 M140 S110", 109),
        ("N9 M104 S245", 111),
        ("N10 M105", 22),
        ("N11 M190 S110", 88),
        ("N12 M109 S245", 88),
        ("N13 G1 X1 Y20 Z0.35 F5000.0", 55),
        ("N3186 M105", 27),
        ("N3188 M105", 21),
        ("N201 G1 X88.28 Y111.20 E2.1025 F600.00 ", 50),
        ("N202 G1 X89.53 Y113.80 E2.1998 ", 69),
        ("N212 G92 E0.0000 ", 72),
    ];

    /// Computed with the wiki's algorithm by an independent program.
    const COMPUTED: [(&str, u8); 15] = [
        ("N1 M105", 38),
        ("N2 M105", 37),
        ("N0 M110 N0", 125),
        ("N1 M110 N0", 124),
        ("N-0 M110", 14),
        ("M110 N0", 35),
        ("N123 M110 N123", 125),
        ("N124 M105", 32),
        ("N1 M140 S0", 100),
        ("N2 M190 R30", 88),
        ("N3 M400", 36),
        ("N4 G91", 21),
        ("N5 G1 Y200 F1000", 1),
        ("N6 G90", 22),
        ("N7 M84", 24),
    ];

    #[test]
    fn every_published_checksum_holds() {
        for (text, sum) in WIKI.into_iter().chain(LOGS).chain(COMPUTED) {
            assert_eq!(checksum(text.as_bytes()), sum, "{text}");
        }
    }

    #[test]
    fn every_published_numbered_line_comes_out_byte_for_byte() {
        let mut lines = 0;
        for (text, sum) in WIKI.into_iter().chain(LOGS).chain(COMPUTED) {
            let Some((line, command)) = text.strip_prefix('N').and_then(|rest| rest.split_once(' ')) else { continue };
            let Ok(line) = line.parse::<u32>() else { continue };
            assert_eq!(numbered(line, command.as_bytes()), format!("{text}*{sum}\n").into_bytes());
            lines += 1;
        }
        assert_eq!(lines, 40, "all but the unnumbered line and the one numbered -0");
    }

    #[test]
    fn a_blank_before_the_star_counts() {
        assert_ne!(checksum(b"N212 G92 E0.0000"), checksum(b"N212 G92 E0.0000 "));
    }

    #[test]
    fn the_checksum_is_blind_to_swapped_bytes_and_to_the_same_bit_flipped_twice() {
        assert_eq!(checksum(b"N8 G1 X3.0 Y4.0"), checksum(b"N8 G1 X4.0 Y3.0"));
        assert_eq!(checksum(b"N8 G1 X3.0 Y4.0"), checksum(b"N8 G1 X2.0 Y5.0"));
        assert_ne!(checksum(b"N8 G1 X3.0 Y4.0"), checksum(b"N8 G1 X2.0 Y4.0"));
    }

    #[test]
    fn a_command_that_would_break_the_line_is_refused() {
        assert_eq!(check_command(b"", LIMIT), Err(CommandError::Empty));
        assert_eq!(check_command(b"  ", LIMIT), Err(CommandError::Empty));
        assert_eq!(check_command(b"G1 X1\nG1 X2", LIMIT), Err(CommandError::Broken { at: 5 }));
        assert_eq!(check_command(b"G1 X1\r", LIMIT), Err(CommandError::Broken { at: 5 }));
        assert_eq!(check_command(b"G1 X1*55", LIMIT), Err(CommandError::Mark { at: 5, found: '*' }));
        assert_eq!(check_command(b"G1 X1 ; fast", LIMIT), Err(CommandError::Mark { at: 6, found: ';' }));
        assert_eq!(check_command(b"N7 G1 X1", LIMIT), Err(CommandError::Numbered));
        assert_eq!(check_command(b" n7 G1 X1", LIMIT), Err(CommandError::Numbered));
        assert_eq!(check_command(b"M110 N0", LIMIT), Err(CommandError::SetsNumber));
        assert_eq!(check_command(b"m110", LIMIT), Err(CommandError::SetsNumber));
        assert_eq!(check_command(b"M1101", LIMIT), Ok(()));
        assert_eq!(check_command("M117 Kräuterschild".as_bytes(), LIMIT), Ok(()));
    }

    #[test]
    fn the_longest_command_fits_the_buffer_with_the_longest_number() {
        let most = command_bytes_max(LIMIT);
        assert_eq!(check_command(&vec![b'G'; most], LIMIT), Ok(()));
        assert_eq!(check_command(&vec![b'G'; most + 1], LIMIT), Err(CommandError::TooLong { found: most + 1, most }));
        let widest =
            (0..=u8::MAX).map(|byte| numbered(99_999, &[&[byte][..], &vec![b'G'; most - 1]].concat()).len()).max();
        assert_eq!(widest, Some(LIMIT + 1), "the line break comes on top");
    }
}
