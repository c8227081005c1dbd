//! Materials, and the bed temperature at which a part of each lets go.
//!
//! Release temperatures are common practice, below the glass transition where there is one above the room's temperature; no
//! publication gives them. What stands beside each is the glass transition that it stays below, and where that was measured.
//! A person sets their own in the config or for a job. Densities are of the usual data sheets (NETZSCH polymer tables and
//! others).

use crate::job::Material;
use crate::units::Celsius;

/// Where nothing is known of the material: no common filament sticks to a bed as cool as this.
pub const DEFAULT_RELEASE: Celsius = Celsius(30.0);

/// `(keyword, density g/cm³, release °C)`.
const MATERIALS: &[(&str, f64, f64)] = &[
    // 59.7 to 60.5 °C by DSC on three filaments (table of nature3d.net); 45 to 65 °C (NETZSCH polymer poster).
    ("pla", 1.24, 32.0),
    // 78.7 and 81.2 °C measured (nature3d.net).
    ("petg", 1.27, 40.0),
    // 90 to 102 °C (omnexus), 107.5 °C measured (nature3d.net).
    ("abs", 1.04, 50.0),
    // 103.7 °C measured (nature3d.net).
    ("asa", 1.07, 50.0),
    // −50 to −30 °C (NETZSCH), far below the room's temperature: cooling loosens little, so wait for the room.
    ("tpu", 1.21, 28.0),
    // PA12 35 to 45 °C, PA6 and PA66 55 °C (matmake): below most of them.
    ("pa", 1.14, 45.0),
    // 145 °C (matmake), 147.5 °C measured (nature3d.net).
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
