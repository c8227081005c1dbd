//! What a picture is made of beside the file.

use crate::job::Footprint;

/// Least and greatest width of a picture, pixels.
pub const SIZE_MIN_PX: u32 = 64;
/// Greatest width of a picture, pixels.
pub const SIZE_MAX_PX: u32 = 2048;

/// Where the part lies, and how large the picture is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scene {
    /// The bed, mm, in the file's coordinates.
    pub bed: Footprint,
    /// The way toward the nose in the file's X and Y, of length 1.
    pub toward_nose: (f64, f64),
    /// Where the nose is along that way, mm.
    pub nose_mm: f64,
    /// Width of the picture, pixels; its height is three quarters of it. Held between [`SIZE_MIN_PX`] and [`SIZE_MAX_PX`].
    pub size_px: u32,
}

impl Scene {
    /// Width and height of the picture, pixels.
    #[must_use]
    pub fn pixels(&self) -> (u32, u32) {
        let width = self.size_px.clamp(SIZE_MIN_PX, SIZE_MAX_PX);
        (width, width * 3 / 4)
    }

    /// A point of the bed seen from the nose: mm to the right, and mm along the belt, growing toward the nose.
    #[must_use]
    pub fn on_belt(&self, x_mm: f64, y_mm: f64) -> (f64, f64) {
        let (x, y) = self.toward_nose;
        (y_mm * x - x_mm * y, x_mm * x + y_mm * y)
    }

    /// A rectangle of the bed, likewise: `(left, right, tail, lead)`.
    #[must_use]
    pub fn box_on_belt(&self, f: &Footprint) -> (f64, f64, f64, f64) {
        let corners =
            [(f.x_min_mm, f.y_min_mm), (f.x_max_mm, f.y_min_mm), (f.x_min_mm, f.y_max_mm), (f.x_max_mm, f.y_max_mm)];
        let none = (f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY);
        corners.into_iter().map(|(x, y)| self.on_belt(x, y)).fold(none, |(left, right, tail, lead), (across, along)| {
            (left.min(across), right.max(across), tail.min(along), lead.max(along))
        })
    }

    /// Whether a point lies over the bed.
    #[must_use]
    pub fn is_over_bed(&self, x_mm: f64, y_mm: f64) -> bool {
        (self.bed.x_min_mm..=self.bed.x_max_mm).contains(&x_mm)
            && (self.bed.y_min_mm..=self.bed.y_max_mm).contains(&y_mm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BED: Footprint = Footprint { x_min_mm: 0.0, x_max_mm: 220.0, y_min_mm: 0.0, y_max_mm: 200.0 };

    fn scene(toward_nose: (f64, f64)) -> Scene {
        Scene { bed: BED, toward_nose, nose_mm: 200.0, size_px: 512 }
    }

    /// Whoever stands at the nose of a belt that runs toward +Y has +X at the left hand.
    #[test]
    fn the_reader_stands_at_the_nose() {
        assert_eq!(scene((0.0, 1.0)).on_belt(3.0, 7.0), (-3.0, 7.0));
        assert_eq!(scene((0.0, -1.0)).on_belt(3.0, 7.0), (3.0, -7.0));
        assert_eq!(scene((1.0, 0.0)).on_belt(3.0, 7.0), (7.0, 3.0));
        assert_eq!(scene((-1.0, 0.0)).on_belt(3.0, 7.0), (-7.0, -3.0));
        assert_eq!(scene((-1.0, 0.0)).box_on_belt(&BED), (-200.0, 0.0, -220.0, 0.0));
    }

    #[test]
    fn the_size_is_held_within_its_limits() {
        let of = |size_px| Scene { size_px, ..scene((0.0, 1.0)) }.pixels();
        assert_eq!((of(0), of(512), of(u32::MAX)), ((64, 48), (512, 384), (2048, 1536)));
    }
}
