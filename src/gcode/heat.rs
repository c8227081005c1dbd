//! Temperatures that a file asks for.

use super::lex::Word;
use crate::job::Temperatures;

/// A heater.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Heater {
    Bed,
    Nozzle,
}

/// What a command asks of a heater: which, and the greatest of its targets, °C. A firmware may take the last of two, so all
/// count.
pub(crate) fn asked_of_heater(command: &Word, words: &[Word]) -> Option<(Heater, f64)> {
    // The whole number alone: `M104.1` heats where a firmware does not see the point.
    let heater = match (command.letter, command.value.trunc()) {
        (b'M', 104.0 | 109.0 | 568.0) => Heater::Nozzle,
        (b'M', 140.0 | 190.0) => Heater::Bed,
        // `G10 P0 R150 S200` sets a tool's temperatures (RepRap wiki, G10).
        (b'G', 10.0) if words.iter().any(|word| word.letter == b'P') => Heater::Nozzle,
        _ => return None,
    };
    let targets = words.iter().filter(|word| matches!(word.letter, b'S' | b'R') && word.has_value);
    targets.map(|word| word.value).reduce(f64::max).map(|hottest| (heater, hottest))
}

/// First and greatest temperatures so far. Zero switches off and is not a request.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Heat {
    asked: Temperatures,
}

impl Heat {
    pub(crate) fn take(&mut self, command: &Word, words: &[Word]) {
        let Some((heater, target)) = asked_of_heater(command, words).filter(|(_, target)| *target > 0.0) else {
            return;
        };
        let (first, greatest) = match heater {
            Heater::Bed => (&mut self.asked.bed_first_c, &mut self.asked.bed_max_c),
            Heater::Nozzle => (&mut self.asked.nozzle_first_c, &mut self.asked.nozzle_max_c),
        };
        first.get_or_insert(target);
        *greatest = Some(greatest.map_or(target, |greatest| greatest.max(target)));
    }

    pub(crate) const fn asked(&self) -> Temperatures {
        self.asked
    }
}
