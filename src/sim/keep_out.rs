//! Stretches of the simulated belt that no plastic may touch, and whether some did: facts of the material.

/// Stretches of the belt's loop, fixed on its material: along-belt coordinates at the place 0, µm.
#[derive(Clone, Debug, Default)]
pub(super) struct KeepOuts {
    loop_um: Option<i64>,
    stretches: Vec<[i64; 2]>,
    /// Number of the last print that touched one.
    last: Option<u32>,
    prints: u32,
}

impl KeepOuts {
    pub(super) fn new(loop_um: Option<i64>, stretches: Vec<[i64; 2]>) -> Self {
        Self { loop_um: loop_um.filter(|&um| um > 0), stretches, last: None, prints: 0 }
    }

    /// Plastic of this print was laid over `along_um`, with the belt at `place_um`. Says whether it is the first of its print
    /// to touch one.
    pub(super) fn touch(&mut self, print: u32, along_um: [i64; 2], place_um: i64) -> bool {
        let [low, high] = along_um.map(|um| um - place_um);
        let hit =
            self.last != Some(print) && self.stretches.iter().any(|&[from, to]| self.meet([low, high], [from, to]));
        if hit {
            self.last = Some(print);
            self.prints += 1;
        }
        hit
    }

    /// How many prints touched one.
    pub(super) fn prints(&self) -> u32 {
        self.prints
    }

    fn meet(&self, [low, high]: [i64; 2], [from, to]: [i64; 2]) -> bool {
        // The first turn that does not end before the plastic begins.
        let from_turn = |turn: i64| from + turn < high && low < to + turn;
        match self.loop_um {
            None => from_turn(0),
            Some(loop_um) => {
                let behind = (low - to).div_euclid(loop_um) + 1;
                from_turn(behind * loop_um)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plastic_touches_a_stretch_in_every_turn_of_the_loop() {
        let meets = |low, high| KeepOuts::new(Some(1_000), vec![[90, 110]]).touch(1, [low, high], 0);
        for turn in [-3_000, 0, 7_000] {
            let seen = [(80, 90), (80, 91), (100, 100), (109, 200), (110, 1_090), (110, 1_091)]
                .map(|(low, high)| meets(low + turn, high + turn));
            assert_eq!(seen, [false, true, true, true, false, true], "turn {turn}");
        }
        let unlooped = |low, high| KeepOuts::new(None, vec![[90, 110]]).touch(1, [low, high], 0);
        assert_eq!((unlooped(100, 105), unlooped(1_100, 1_105)), (true, false));
    }

    #[test]
    fn a_print_counts_once_and_the_belt_s_place_matters() {
        let mut keep_outs = KeepOuts::new(Some(1_000), vec![[90, 110]]);
        assert!(!keep_outs.touch(1, [100, 105], 50));
        assert!(keep_outs.touch(1, [150, 155], 50));
        assert!(!keep_outs.touch(1, [150, 155], 50));
        assert!(keep_outs.touch(2, [150, 155], 1_050));
        assert_eq!(keep_outs.prints(), 2);
    }
}
