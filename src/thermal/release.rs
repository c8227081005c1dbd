//! Materials, and the bed temperature at which a part of each lets go.
//!
//! Release temperatures are common practice, well below the glass transition, with no published source: a person sets
//! their own in the config or for a job. Densities are of the usual data sheets (NETZSCH polymer tables and others).

use crate::job::Material;
use crate::units::Celsius;

/// Where nothing is known of the material: no common filament sticks to a bed as cool as this.
pub const DEFAULT_RELEASE: Celsius = Celsius(30.0);

/// `(keyword, density g/cm³, release °C)`.
const MATERIALS: &[(&str, f64, f64)] = &[
    ("pla", 1.24, 32.0),
    ("petg", 1.27, 40.0),
    ("abs", 1.04, 50.0),
    ("asa", 1.07, 50.0),
    // A glass transition far below the room's temperature: cooling loosens little, so wait for the room.
    ("tpu", 1.21, 28.0),
    ("pa", 1.14, 45.0),
    ("pc", 1.20, 60.0),
];

/// The materials that are known without a config.
#[must_use]
pub fn builtin_materials() -> Vec<Material> {
    MATERIALS
        .iter()
        .map(|&(name, density_g_cm3, release_c)| Material { name: name.to_owned(), density_g_cm3, release_c })
        .collect()
}

/// The material with this keyword, in any case.
#[must_use]
pub fn material<'a>(materials: &'a [Material], name: &str) -> Option<&'a Material> {
    materials.iter().find(|m| m.name.eq_ignore_ascii_case(name.trim()))
}

/// The release temperature: the job's own, else that of the first of `names` (job, file, line) that is known, else
/// [`DEFAULT_RELEASE`].
#[must_use]
pub fn release_temperature(own: Option<Celsius>, names: &[Option<&str>], materials: &[Material]) -> Celsius {
    own.or_else(|| names.iter().flatten().find_map(|name| material(materials, name)).map(|m| Celsius(m.release_c)))
        .unwrap_or(DEFAULT_RELEASE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_job_goes_before_the_file_and_the_file_before_the_line() {
        let materials = builtin_materials();
        let release = |own, names: &[Option<&str>]| release_temperature(own, names, &materials);
        assert_eq!(release(Some(Celsius(27.0)), &[Some("petg")]), Celsius(27.0));
        assert_eq!(release(None, &[None, Some("PETG"), Some("pla")]), Celsius(40.0));
        assert_eq!(release(None, &[Some("unheard-of"), None, Some("pla")]), Celsius(32.0));
        assert_eq!(release(None, &[None]), DEFAULT_RELEASE);
    }
}
