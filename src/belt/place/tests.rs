use proptest::prelude::*;

use super::*;

/// The slow twin: it marks the belt every 0.1 mm and tries one advance after the other.
struct Slow {
    /// Cells round the loop that are taken, by `u` with the belt as it is.
    taken: Vec<bool>,
    parts: Vec<(i64, i64)>,
    gone: i64,
}

/// One mark, µm.
const TENTH: i64 = 100;

impl Slow {
    fn new(loop_cells: i64, keep_outs: &[(i64, i64)], parts: &[(i64, i64)], gone: i64) -> Self {
        let mut taken = vec![false; usize::try_from(loop_cells).expect("a length")];
        for &(from, to) in keep_outs {
            for cell in from..to {
                taken[usize::try_from(cell.rem_euclid(loop_cells)).expect("inside")] = true;
            }
        }
        Self { taken, parts: parts.to_vec(), gone }
    }

    fn allows(&self, (tail, lead): (i64, i64), delta: i64) -> bool {
        let loop_cells = i64::try_from(self.taken.len()).expect("a length");
        let free = |cell: i64| !self.taken[usize::try_from((cell - delta).rem_euclid(loop_cells)).expect("inside")];
        let part_free = |cell: i64| {
            let on = |&(from, to): &(i64, i64)| from + delta < self.gone && (from..to).contains(&(cell - delta));
            !self.parts.iter().any(on)
        };
        lead - tail <= loop_cells && (tail..lead).all(|cell| free(cell) && part_free(cell))
    }

    fn least(&self, footprint: (i64, i64)) -> Option<i64> {
        let loop_cells = i64::try_from(self.taken.len()).expect("a length");
        let reach = self.parts.iter().map(|&(from, _)| footprint.1 - from).max().unwrap_or(0).max(0);
        (0..=reach + loop_cells).find(|&delta| self.allows(footprint, delta))
    }

    /// The longest run of free cells round the loop.
    fn longest(&self) -> usize {
        let twice = self.taken.iter().chain(&self.taken);
        let runs = twice.scan(0, |run, &taken| {
            *run = if taken { 0 } else { *run + 1 };
            Some(*run)
        });
        runs.max().unwrap_or(0).min(self.taken.len())
    }
}

#[derive(Clone, Debug)]
struct Case {
    loop_cells: i64,
    odometer: i64,
    keep_outs: Vec<(i64, i64)>,
    parts: Vec<(i64, i64)>,
    gone: i64,
    footprint: (i64, i64),
    slack: i64,
    printed: Vec<(i64, i64)>,
}

/// Belts of 1 to 60 mm, so that the slow twin has a chance; every number is a multiple of 0.1 mm.
fn case() -> impl Strategy<Value = Case> {
    (10_i64..600).prop_flat_map(|loop_cells| {
        let span = move |longest: i64| {
            (-2 * loop_cells..2 * loop_cells, 1..=longest.max(1)).prop_map(|(from, length)| (from, from + length))
        };
        (
            -3 * loop_cells..3 * loop_cells,
            prop::collection::vec(span(loop_cells / 4), 0..5),
            prop::collection::vec(span(loop_cells / 3), 0..3),
            -loop_cells..2 * loop_cells,
            span(loop_cells + 20),
            prop_oneof![Just(0), 1..=loop_cells],
            prop::collection::vec(span(loop_cells), 0..6),
        )
            .prop_map(move |(odometer, keep_outs, parts, gone, footprint, slack, printed)| Case {
                loop_cells,
                odometer,
                keep_outs,
                parts,
                gone,
                footprint,
                slack,
                printed,
            })
    })
}

fn span((tail, lead): (i64, i64)) -> Span {
    Span::new(tail * TENTH, lead * TENTH)
}

fn worn(case: &Case) -> Wear {
    let mut wear = Wear::unworn(case.loop_cells * TENTH);
    for &(from, to) in &case.printed {
        wear.count(from * TENTH, to * TENTH, case.loop_cells * TENTH);
    }
    wear
}

fn ground<'a>(case: &Case, wear: &'a Wear, slack: i64) -> Ground<'a> {
    Ground {
        round: Some(Round { loop_um: case.loop_cells * TENTH, odometer_um: case.odometer * TENTH, wear }),
        keep_outs: case.keep_outs.iter().copied().map(span).collect(),
        parts: case.parts.iter().copied().map(span).collect(),
        gone: Micrometres(case.gone * TENTH),
        slack: Micrometres(slack * TENTH),
    }
}

proptest! {
    // PROPTEST_CASES says how many; the default is proptest's own 256.
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_least_advance_is_the_one_that_marking_every_tenth_of_a_millimetre_finds(case in case()) {
        let slow = Slow::new(case.loop_cells, &case.keep_outs, &case.parts, case.gone);
        let wear = worn(&case);
        let placed = ground(&case, &wear, 0).place(span(case.footprint));
        match slow.least(case.footprint) {
            Some(delta) => prop_assert_eq!(placed.expect("the slow twin found room").advance.0, delta * TENTH),
            None => {
                let no_room = placed.expect_err("the slow twin found none");
                let longest = i64::try_from(slow.longest()).expect("a length") * TENTH;
                prop_assert_eq!((no_room.needed, no_room.longest.0), (span(case.footprint).length(), longest));
                prop_assert!(no_room.needed > no_room.longest);
            }
        }
    }

    #[test]
    fn within_the_slack_the_least_worn_place_is_taken_and_of_those_the_nearest(case in case()) {
        let slow = Slow::new(case.loop_cells, &case.keep_outs, &case.parts, case.gone);
        let wear = worn(&case);
        let loop_um = case.loop_cells * TENTH;
        let Some(least) = slow.least(case.footprint) else { return Ok(()) };
        let sum = |delta: i64| {
            let now = case.odometer + delta;
            wear.sum((case.footprint.0 - now) * TENTH, (case.footprint.1 - now) * TENTH, loop_um)
        };
        let allowed = (least..=least + case.slack).filter(|&delta| slow.allows(case.footprint, delta));
        let best = allowed.map(|delta| (sum(delta), delta)).min().expect("the least is allowed");
        let placed = ground(&case, &wear, case.slack).place(span(case.footprint)).expect("room");
        prop_assert_eq!((placed.wear, placed.advance.0), (best.0, best.1 * TENTH));
    }
}

#[test]
fn the_reason_says_both_lengths_to_the_micrometre() {
    let wear = Wear::unworn(400_000);
    let mut ground = Ground {
        round: Some(Round { loop_um: 400_000, odometer_um: 12_345, wear: &wear }),
        keep_outs: vec![Span::new(0, 24_000), Span::new(200_000, 224_000)],
        ..Ground::default()
    };
    let told = |ground: &Ground<'_>, length| ground.place(Span::new(0, length)).map_err(|e| e.to_string());
    assert_eq!(told(&ground, 182_000).expect_err("none"), "needs 182 mm free, longest free stretch 176 mm");
    assert_eq!(told(&ground, 176_001).expect_err("none"), "needs 176.001 mm free, longest free stretch 176 mm");
    assert_eq!(told(&ground, 176_000).expect("just").advance.0, 176_000);
    ground.keep_outs.clear();
    assert_eq!(told(&ground, 400_001).expect_err("none"), "needs 400.001 mm free, longest free stretch 400 mm");
    assert_eq!(told(&ground, 400_000).expect("just").advance.0, 0);
}

#[test]
fn without_a_loop_only_parts_are_in_the_way() {
    let ground = Ground { parts: vec![Span::new(50, 90)], gone: Micrometres(1_000), ..Ground::default() };
    assert_eq!(ground.place(Span::new(40, 100)).expect("room").advance.0, 50);
    assert_eq!(ground.place(Span::new(0, 50)).expect("room").advance.0, 0);
    assert_eq!(ground.longest_free(), None);
}

#[test]
fn a_point_may_lie_at_an_edge_and_not_inside() {
    let ground = Ground { parts: vec![Span::new(50, 90)], gone: Micrometres(1_000), ..Ground::default() };
    assert_eq!([50, 51, 90].map(|u| ground.place(Span::new(u, u)).expect("room").advance.0), [0, 1, 0]);
}

#[test]
fn a_span_covers_its_extent_without_growing_by_a_hair() {
    assert_eq!(Span::over(Extent { tail_mm: 64.198, lead_mm: 0.1 + 0.2 + 99.7 }), Span::new(64_198, 100_000));
    assert_eq!(Span::over(Extent { tail_mm: 64.198_4, lead_mm: 100.000_4 }), Span::new(64_198, 100_001));
    assert_eq!(Span::over(Extent { tail_mm: -64.198_4, lead_mm: -10.000_4 }), Span::new(-64_199, -10_000));
}
