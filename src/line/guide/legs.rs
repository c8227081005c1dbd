//! The steps of the guide, in words.

use super::leg::{Figure, Input, Leg, Needs, Topic};

/// Every step, in order.
#[must_use]
pub const fn guide() -> &'static [Leg; 7] {
    &LEGS
}

/// The step about `topic`.
#[must_use]
pub fn leg(topic: Topic) -> &'static Leg {
    &LEGS[topic as usize]
}

const fn number(
    key: &'static str,
    label: &'static str,
    unit: &'static str,
    (min, max): (f64, f64),
    usual: Option<f64>,
) -> Input {
    Input { key, label, figure: Figure::Number { unit, min, max, usual, optional: false } }
}

const fn perhaps(key: &'static str, label: &'static str, unit: &'static str, (min, max): (f64, f64)) -> Input {
    Input { key, label, figure: Figure::Number { unit, min, max, usual: None, optional: true } }
}

const KEEP_CLEAR: &str =
    "The nose and the rollers draw in fingers, hair, sleeves and cords. Keep them away whenever the motor has power.";
const SWITCH_AT_HAND: &str =
    "Have the machine's own switch within reach, and stay with the machine until the step is done.";
const WIRING: &str = "Take out the mains plug before you open a cover. Mains wiring is done or checked as local rules ask; they come first.";

static LEGS: [Leg; 7] = [
    Leg {
        topic: Topic::Ratio,
        title: "Drive ratio",
        happens: "Works out how many motor steps make a millimetre of belt, from the motor, the pulleys and the roller, and from that \
                  how many printer units each millimetre needs. Nothing moves. With the figures unknown, leave this step out: the step \
                  \"Jog and measure\" sets the same value right.",
        look_at: &[
            "Roller diameter and belt thickness, with a calliper: measure the roller without the belt.",
            "The driver's microsteps, and the teeth of both pulleys if the motor drives the roller through a toothed belt.",
            "The firmware's own steps for a unit of this extruder or axis: its settings report says so (M503, or M92 without a number).",
        ],
        hurts: &[KEEP_CLEAR, WIRING],
        needs: Needs::Nothing,
        inputs: &[
            number("steps", "Motor steps in a turn", "", (20.0, 1000.0), Some(200.0)),
            number("microsteps", "Microsteps in a step", "", (1.0, 256.0), Some(16.0)),
            number("motor_teeth", "Teeth of the motor's pulley", "", (1.0, 500.0), Some(1.0)),
            number("roller_teeth", "Teeth of the roller's pulley", "", (1.0, 500.0), Some(1.0)),
            number("roller_mm", "Roller diameter", "mm", (1.0, 500.0), None),
            number("belt_mm", "Belt thickness", "mm", (0.0, 20.0), None),
            number("firmware_steps", "The firmware's steps for a unit", "", (0.01, 100_000.0), None),
        ],
    },
    Leg {
        topic: Topic::Direction,
        title: "Direction",
        happens: "The belt is jogged a little toward the nose, by what the line believes. You say which way it went.",
        look_at: &["A mark on the belt, by pencil or tape: did it move toward the edge where parts fall?"],
        hurts: &[KEEP_CLEAR, SWITCH_AT_HAND],
        needs: Needs::Jog,
        inputs: &[Input { key: "toward", label: "Did the belt run toward the nose?", figure: Figure::YesNo }],
    },
    Leg {
        topic: Topic::Measure,
        title: "Jog and measure",
        happens: "The belt is jogged by a known length, and you measure how far it ran. New value = old value × asked for / measured.",
        look_at: &[
            "Make a mark on the belt beside a fixed edge, jog, and measure from the edge to the mark with a steel rule.",
            "A longer jog measures better: 100 mm or more. Jog a little first, the same way, so that play in the drive is taken up.",
            "Does the motor hum without turning, or the belt slip on its roller? Then set that right first.",
        ],
        hurts: &[
            KEEP_CLEAR,
            SWITCH_AT_HAND,
            "Measure only when the belt stands, and never reach over the nose to do so.",
        ],
        needs: Needs::Jog,
        inputs: &[
            number("commanded_mm", "Asked for", "mm", (1.0, 100_000.0), None),
            number("measured_mm", "Measured", "mm", (0.0, 100_000.0), None),
        ],
    },
    Leg {
        topic: Topic::Nose,
        title: "Nose position",
        happens: "Says where the belt turns under, in the coordinates of the sliced files, so that the line knows how far a part must travel. \
                  Nothing moves by itself.",
        look_at: &[
            "Move the nozzle by the printer's own controls until it is over the line where the belt begins to bend; read the position there.",
            "Where the nozzle does not reach so far: go to the last place that it reaches, and add what a rule says from there to the bend.",
            "Count the way toward the nose: where the line's way is -x or -y, enter the position with its sign turned.",
        ],
        hurts: &[KEEP_CLEAR, "The nozzle and the bed may be hot. Let them cool before you hold a rule to them."],
        needs: Needs::Nothing,
        inputs: &[number("nose_mm", "Nose, along the way toward it", "mm", (-5000.0, 5000.0), None)],
    },
    Leg {
        topic: Topic::Loop,
        title: "Loop length",
        happens: "Finds the length of the whole belt: worked out from two rollers and the distance of their axles, or measured by running the \
                  splice once around. Measured is better; worked out is a check on it.",
        look_at: &[
            "Jog until the splice is at a fixed mark, note it as the start, and jog on, the same way, until it comes back to the mark.",
            "For the sum: both rollers' diameters without the belt, the belt's thickness, and the distance between the axles' middles. \
             With more than two rollers, or a tensioner that bends the belt, only running it around is right.",
        ],
        hurts: &[
            KEEP_CLEAR,
            SWITCH_AT_HAND,
            "The belt runs for a long time here. Nobody else may touch the machine meanwhile.",
        ],
        needs: Needs::Jog,
        inputs: &[
            perhaps("travelled_mm", "Run from mark to mark", "mm", (50.0, 100_000.0)),
            perhaps("roller_one_mm", "One roller's diameter", "mm", (1.0, 500.0)),
            perhaps("roller_two_mm", "The other roller's diameter", "mm", (1.0, 500.0)),
            perhaps("centres_mm", "From axle to axle", "mm", (10.0, 50_000.0)),
            perhaps("belt_mm", "Belt thickness", "mm", (0.0, 20.0)),
        ],
    },
    Leg {
        topic: Topic::Splice,
        title: "Splice mark",
        happens: "Tells the line where the belt's join is, so that nothing is printed over it. Jog until the splice is at the nose, then say so. \
                  The loop length must be known before.",
        look_at: &["The middle of the join stands at the line where the belt begins to bend."],
        hurts: &[KEEP_CLEAR, SWITCH_AT_HAND],
        needs: Needs::Jog,
        inputs: &[],
    },
    Leg {
        topic: Topic::Heat,
        title: "Heat and cool",
        happens: "The bed is heated, held for a minute, and cools with its heater off, while every reading is kept. From the curve come the \
                  room's temperature and the time in which the bed loses 63 % of its warmth: what the line predicts cooling from. It takes \
                  about as long as a print's cooling.",
        look_at: &[
            "Nothing is on the belt. Doors, fans and covers are as they are in a usual run.",
            "Does the reported temperature rise within a minute, and stop at what was asked for?",
        ],
        hurts: &[
            "The bed gets hot enough to burn. Touch neither bed nor belt until it has cooled.",
            "The printer's own thermal protection must be on. Stay with the machine: heaters can fail.",
            WIRING,
        ],
        needs: Needs::Heat,
        inputs: &[],
    },
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_steps_stand_in_the_order_of_their_topics() {
        for (leg, topic) in LEGS.iter().zip(Topic::ALL) {
            assert_eq!(leg.topic, topic);
            assert_eq!(super::leg(topic).title, leg.title);
            assert_eq!(Topic::parse(topic.as_str()), Some(topic));
        }
        assert_eq!((Topic::Ratio.back(), Topic::Heat.next()), (None, None));
        assert_eq!(Topic::Ratio.next().and_then(Topic::back), Some(Topic::Ratio));
    }

    #[test]
    fn every_step_says_what_to_look_at_and_what_can_hurt() {
        for leg in &LEGS {
            assert!(!leg.look_at.is_empty() && !leg.hurts.is_empty() && !leg.happens.is_empty(), "{}", leg.title);
            if leg.needs == Needs::Jog {
                assert!(leg.hurts.contains(&KEEP_CLEAR) && leg.hurts.contains(&SWITCH_AT_HAND), "{}", leg.title);
            }
        }
    }

    #[test]
    fn what_is_usual_is_within_its_range() {
        for input in LEGS.iter().flat_map(|leg| leg.inputs) {
            if let Figure::Number { min, max, usual: Some(usual), .. } = input.figure {
                assert!((min..=max).contains(&usual), "{}", input.key);
            }
        }
    }
}
