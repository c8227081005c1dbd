//! Facts that a file's own comments state, `key = value` or `key: value`, at its head or at its foot.

/// How the first comment of a file begins that was composed for a card: it cools and moves the belt by itself.
pub const COMPOSED: &str = "composed by nosebar";

/// Longest comment that is looked at, bytes; facts are short.
const COMMENT_MAX: usize = 200;

/// Facts from comments; the first statement of each counts.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Facts {
    /// Material keywords by tool, lower case.
    pub(crate) materials: Vec<String>,
    /// Filament diameter, mm.
    pub(crate) diameter_mm: Option<f64>,
    /// Layer height, mm.
    pub(crate) layer_height_mm: Option<f64>,
}

impl Facts {
    /// Takes one comment, without its semicolon.
    pub(crate) fn take(&mut self, comment: &[u8]) {
        let comment = comment.trim_ascii();
        // Nearly every comment ends here: none of the keys begins otherwise.
        if !matches!(comment.first(), Some(b'f' | b'F' | b'm' | b'M' | b'l' | b'L')) || comment.len() > COMMENT_MAX {
            return;
        }
        let Ok(text) = std::str::from_utf8(comment) else { return };
        let Some((key, value)) = text.split_once(['=', ':']) else { return };
        let key = key.trim().to_ascii_lowercase().replace([' ', '-'], "_");
        match key.as_str() {
            "material" | "material_type" | "filament_type" | "filament_material" => self.take_materials(value),
            "filament_diameter" | "material_diameter" => take_length(&mut self.diameter_mm, value, 0.5, 10.0),
            "layer_height" => take_length(&mut self.layer_height_mm, value, 0.01, 5.0),
            _ => {}
        }
    }

    /// The material of a tool: its own, or the only one named.
    pub(crate) fn material_of(&self, tool: u32) -> Option<&str> {
        let own = self.materials.get(tool as usize);
        let only = self.materials.first().filter(|_| self.materials.len() == 1);
        own.or(only).map(String::as_str)
    }

    fn take_materials(&mut self, value: &str) {
        if !self.materials.is_empty() {
            return;
        }
        let names = value.split([';', ',']).map(|name| name.trim().trim_matches('"').trim().to_ascii_lowercase());
        let materials: Vec<String> = names.collect();
        if materials.iter().all(|name| is_keyword(name)) {
            self.materials = materials;
        }
    }
}

/// Whether a comment, without its semicolon, marks a file that was composed for a card.
pub(crate) fn marks_composed(comment: &[u8]) -> bool {
    comment.trim_ascii().get(..COMPOSED.len()).is_some_and(|head| head.eq_ignore_ascii_case(COMPOSED.as_bytes()))
}

fn is_keyword(name: &str) -> bool {
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '+' | ' ' | '.');
    (1..=32).contains(&name.len()) && name.chars().all(fits)
}

/// The number at the head of a value, `1.75`, `1.75 mm` or `1.75,1.75`, if it lies within sense.
fn take_length(fact: &mut Option<f64>, value: &str, least: f64, greatest: f64) {
    let value = value.trim();
    let end = value.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(value.len());
    let percent = value[end..].trim_start().starts_with('%');
    if let Ok(length) = value[..end].parse::<f64>()
        && !percent
        && (least..=greatest).contains(&length)
    {
        fact.get_or_insert(length);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(comments: &[&str]) -> Facts {
        let mut facts = Facts::default();
        for comment in comments {
            facts.take(comment.as_bytes());
        }
        facts
    }

    #[test]
    fn keys_are_read_in_their_spellings() {
        for comment in [" filament_type = PLA", "Material: pla", " material-type=Pla", "MATERIAL : \"PLA\""] {
            assert_eq!(facts(&[comment]).material_of(0), Some("pla"), "{comment}");
        }
        assert_eq!(facts(&["Layer height: 0.1"]).layer_height_mm, Some(0.1));
        assert_eq!(facts(&[" filament_diameter = 2.85 mm"]).diameter_mm, Some(2.85));
    }

    #[test]
    fn the_first_statement_counts() {
        assert_eq!(facts(&["material = petg", "material = pla"]).material_of(0), Some("petg"));
        assert_eq!(facts(&["layer_height = 0.2", "layer_height = 0.3"]).layer_height_mm, Some(0.2));
    }

    #[test]
    fn a_list_names_a_material_for_each_tool() {
        let two = facts(&["filament_type = PLA;PETG"]);
        assert_eq!((two.material_of(0), two.material_of(1), two.material_of(2)), (Some("pla"), Some("petg"), None));
        assert_eq!(facts(&["filament_type = PLA"]).material_of(3), Some("pla"));
    }

    #[test]
    fn nonsense_states_nothing() {
        let none = facts(&[
            "first_layer_height = 0.35",
            "layer_height = 75%",
            "layer_height = 0",
            "filament_diameter = NaN",
            "material = <b>",
            "material =",
            "filament used = 3130.0mm (7.5cm3)",
            "TYPE:SKIRT",
        ]);
        assert_eq!(none, Facts::default());
        let mut facts = Facts::default();
        facts.take(b"material = \xFF");
        assert_eq!(facts, Facts::default());
    }
}
