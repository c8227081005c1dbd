use super::*;
use crate::sim::{Condition, Fault, HeaterName};
use proptest::prelude::*;

/// Something that a host or a person does.
#[derive(Clone, Debug)]
enum Deed {
    Say(String),
    Print { from_mm: i32, to_mm: i32 },
    Wait { seconds: f64 },
    TakeOff,
    StopAndReset,
    Befall(Fault),
}

fn deeds() -> impl Strategy<Value = Deed> {
    let say = |line: &str| Just(Deed::Say(line.to_owned()));
    prop_oneof![
        4 => (0..200_i32, 1..60_i32).prop_map(|(from_mm, depth)| Deed::Print { from_mm, to_mm: from_mm + depth }),
        4 => (-900..1900_i32).prop_map(|tenths| Deed::Say(format!("G1 E{} F1200", f64::from(tenths) / 10.0))),
        6 => prop::sample::select(vec![0, 33, 60, 75]).prop_map(|c| Deed::Say(format!("M140 S{c}"))),
        2 => say("T0"),
        3 => say("T1"),
        1 => say("G28"),
        1 => say("M109 R40"),
        1 => say("M410"),
        1 => Just(Deed::StopAndReset),
        4 => (0.0..4000.0_f64).prop_map(|seconds| Deed::Wait { seconds }),
        1 => Just(Deed::TakeOff),
        1 => Just(Deed::Befall(Fault::Reset)),
        1 => Just(Deed::Befall(Fault::LastPartSticks)),
        1 => (0.0..0.3_f64).prop_map(|share| Deed::Befall(Fault::BeltSlips(share))),
        1 => prop_oneof![Just(Condition::Works), Just(Condition::Slow(2.0)), Just(Condition::Fails { noticed: false })]
            .prop_map(|condition| Deed::Befall(Fault::Heater(HeaterName::Bed, condition))),
    ]
}

fn act(bench: &mut Bench, deed: &Deed) {
    match deed {
        Deed::Say(line) => drop(bench.say(line)),
        Deed::Print { from_mm, to_mm } => {
            bench.say("M302 P1\nM83\nT0");
            bench.say(&format!("G1 X50 Y{from_mm} Z1 F6000\nG1 Y{to_mm} E9\nG1 Z8"));
        }
        Deed::Wait { seconds } => {
            bench.wait(*seconds);
            let told = bench.printer.deadline();
            assert!(told.is_none_or(|next| next > bench.now), "{told:?} is not after {:?}", bench.now);
        }
        Deed::StopAndReset => {
            bench.say("M112");
            bench.printer.fault(bench.now, Fault::Reset);
        }
        Deed::TakeOff => bench.printer.take_parts_off(bench.now),
        Deed::Befall(fault) => bench.printer.fault(bench.now, *fault),
    }
}

proptest! {
    #[test]
    fn no_part_is_lost_or_doubled_and_none_floats(deeds in prop::collection::vec(deeds(), 1..60)) {
        let mut bench = Bench::new(SimConfig::default());
        let nose_um = 220_000;
        for deed in &deeds {
            act(&mut bench, deed);
            let truth = bench.truth();
            let on_belt = u32::try_from(truth.parts_on_belt.len()).expect("few");
            prop_assert_eq!(truth.prints_begun, on_belt + truth.parts_fallen + truth.parts_taken_off);
            prop_assert_eq!(truth.belt_um, truth.belt_forward_um - truth.belt_backward_um);
            for part in &truth.parts_on_belt {
                prop_assert!(part.tail_um <= part.lead_um && part.left_um <= part.right_um);
                prop_assert!(part.sticks || part.tail_um < nose_um, "a loose part beyond the nose: {:?}", part);
                prop_assert_eq!(part.hangs, part.sticks && part.tail_um >= nose_um);
            }
            prop_assert!((21.9..140.1).contains(&truth.bed_c), "{}", truth.bed_c);
        }
    }

    #[test]
    fn looking_often_changes_nothing(deeds in prop::collection::vec(deeds(), 1..25), looks in 1..40_u32) {
        let run = |looks: u32| {
            let mut bench = Bench::new(SimConfig::default());
            for deed in &deeds {
                match deed {
                    Deed::Wait { seconds } => {
                        let end = bench.now + Duration::from_secs_f64(*seconds);
                        for look in 1..looks {
                            bench.printer.advance(bench.now + end.since(bench.now).mul_f64(f64::from(look) / f64::from(looks)));
                        }
                        bench.now = end;
                        bench.printer.advance(end);
                    }
                    other => act(&mut bench, other),
                }
            }
            bench.truth()
        };
        prop_assert_eq!(run(1), run(looks));
    }
}
