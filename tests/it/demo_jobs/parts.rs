//! The parts that a community seed library asks for, and the files that they become.

use std::fmt::Write as _;

use super::outline::{Outline, Point, at, rectangle};
use super::slicer::{Climb, Fill, Layer, Region, infill, skirt, spiral, walls};
use super::writer::{Extrusion, FILAMENT_DIAMETER_MM, Writer, number};

/// A part, where it lies on the bed and how it is laid. Lengths in mm, speeds in mm/s, temperatures in °C.
#[derive(Debug)]
pub(super) struct Part {
    pub(super) file_name: &'static str,
    title: &'static str,
    material: &'static str,
    bed: u32,
    nozzle: u32,
    extrusion: Extrusion,
    width: f64,
    height: f64,
    speed: f64,
    first_speed: f64,
    /// Fan from the second layer on, 0 to 255.
    fan: u32,
    prime: Prime,
    layers: Vec<Layer>,
    /// A single wall on top of the layers, and its turns.
    spiral: Option<(Outline, u32)>,
}

/// How the nozzle is made ready.
#[derive(Debug)]
enum Prime {
    /// A line across the belt.
    Line { from: Point, to: Point },
    /// Plastic pushed out standing still; length of filament.
    Purge { place: Point, length: f64 },
}

/// Between the part and its skirt.
const SKIRT_GAP: f64 = 3.0;
/// The head rises by this at the end.
const LIFT: f64 = 12.0;

/// Every demo job.
pub(super) fn parts() -> Vec<Part> {
    vec![plant_marker(), tray_clip(), drip_line_stake(), packet_holder(), seed_scoop()]
}

/// A blade with a pointed end to push into the soil and a hole for a string, 64 mm along the belt.
fn plant_marker() -> Part {
    let blade = [(103.0, 182.0), (103.0, 125.0), (110.0, 118.0), (117.0, 125.0), (117.0, 182.0)];
    let hole = [(110.0, 173.0), (112.0, 175.0), (110.0, 177.0), (108.0, 175.0)];
    let region = Region { outer: polygon(&blade), holes: vec![polygon(&hole)] };
    Part {
        file_name: "plant-marker.2off.gcode",
        title: "plant marker",
        material: "pla",
        bed: 60,
        nozzle: 210,
        extrusion: Extrusion::Absolute,
        width: 0.45,
        height: 0.2,
        speed: 45.0,
        first_speed: 20.0,
        fan: 255,
        prime: Prime::Line { from: at(20.0, 108.0), to: at(80.0, 108.0) },
        layers: vec![Layer { region, walls: 2, fill: Fill::Share(1.0) }; 7],
        spiral: None,
    }
}

/// A frame that snaps over the rims of two trays; closed floor and top, open grid between. Its nozzle is purged in the corner.
fn tray_clip() -> Part {
    let middle = at(60.0, 120.0);
    let region = Region { outer: rectangle(middle, 28.0, 22.0), holes: vec![rectangle(middle, 14.0, 8.0)] };
    let layer = |share| Layer { region: region.clone(), walls: 2, fill: Fill::Share(share) };
    Part {
        file_name: "tray-clip.gcode",
        title: "tray clip",
        material: "petg",
        bed: 80,
        nozzle: 240,
        extrusion: Extrusion::Relative,
        width: 0.5,
        height: 0.25,
        speed: 40.0,
        first_speed: 18.0,
        fan: 110,
        prime: Prime::Purge { place: at(12.0, 90.0), length: 15.0 },
        layers: (0..24).map(|i| layer(if (3..21).contains(&i) { 0.4 } else { 1.0 })).collect(),
        spiral: None,
    }
}

/// Lies across the belt: round ends, an eye for the drip line, all curves as arcs.
fn drip_line_stake() -> Part {
    let (eye, tip) = (at(120.0, 70.0), at(172.0, 70.0));
    let outer = Outline::Slot { from: eye, to: tip, radius: 5.5 };
    let region = Region { outer, holes: vec![Outline::Slot { from: eye, to: eye, radius: 2.6 }] };
    Part {
        file_name: "drip-line-stake.gcode",
        title: "drip-line stake",
        material: "asa",
        bed: 100,
        nozzle: 255,
        extrusion: Extrusion::Absolute,
        width: 0.45,
        height: 0.2,
        speed: 50.0,
        first_speed: 20.0,
        fan: 40,
        prime: Prime::Line { from: at(120.0, 58.0), to: at(172.0, 58.0) },
        layers: vec![Layer { region, walls: 3, fill: Fill::Share(1.0) }; 14],
        spiral: None,
    }
}

/// A sleeve for seed packets: a floor and one wall that climbs without pause.
fn packet_holder() -> Part {
    let outer = polygon(&[
        (84.0, 176.0),
        (136.0, 176.0),
        (139.0, 179.0),
        (139.0, 189.0),
        (136.0, 192.0),
        (84.0, 192.0),
        (81.0, 189.0),
        (81.0, 179.0),
    ]);
    let wall = outer.grown(-0.3);
    let region = Region { outer, holes: Vec::new() };
    Part {
        file_name: "packet-holder.gcode",
        title: "packet holder",
        material: "pla",
        bed: 55,
        nozzle: 215,
        extrusion: Extrusion::Relative,
        width: 0.6,
        height: 0.3,
        speed: 35.0,
        first_speed: 20.0,
        fan: 255,
        prime: Prime::Line { from: at(85.0, 165.0), to: at(135.0, 165.0) },
        layers: vec![Layer { region, walls: 1, fill: Fill::Share(1.0) }; 3],
        spiral: Some((wall, 80)),
    }
}

/// A tray with a lip to pour from.
fn seed_scoop() -> Part {
    let region = Region {
        outer: polygon(&[(58.0, 20.0), (82.0, 20.0), (82.0, 48.0), (70.0, 60.0), (58.0, 48.0)]),
        holes: Vec::new(),
    };
    let layer = |fill, count| std::iter::repeat_n(Layer { region: region.clone(), walls: 3, fill }, count);
    Part {
        file_name: "seed-scoop.gcode",
        title: "seed scoop",
        material: "abs",
        bed: 105,
        nozzle: 245,
        extrusion: Extrusion::Relative,
        width: 0.45,
        height: 0.2,
        speed: 55.0,
        first_speed: 22.0,
        fan: 0,
        prime: Prime::Line { from: at(100.0, 30.0), to: at(150.0, 30.0) },
        layers: layer(Fill::Share(1.0), 6).chain(layer(Fill::Nothing, 40)).collect(),
        spiral: None,
    }
}

fn polygon(corners: &[(f64, f64)]) -> Outline {
    Outline::Polygon(corners.iter().map(|(x, y)| at(*x, *y)).collect())
}

/// The sliced file of a part.
pub(super) fn sliced(part: &Part) -> String {
    let mut out = Writer::new(part.extrusion);
    begin(part, &mut out);
    for (index, layer) in part.layers.iter().enumerate() {
        lay_layer(part, index, layer, &mut out);
    }
    if let Some((wall, turns)) = &part.spiral {
        climb(part, wall, *turns, &mut out);
    }
    end(&mut out);
    out.into_text()
}

fn begin(part: &Part, out: &mut Writer) {
    let mut head = String::new();
    let _ = write!(
        head,
        "; {}, one of the parts that a community seed library asks for
; material = {}
; layer_height = {}
; line_width = {}
; filament_diameter = {FILAMENT_DIAMETER_MM}
G21 ; millimetres
G90
{}
M107
M140 S{bed}
M104 S{nozzle}
M190 S{bed} ; waits for the bed
M109 S{nozzle} ; waits for the nozzle
G28",
        part.title,
        part.material,
        number(part.height, 3),
        number(part.width, 3),
        match part.extrusion {
            Extrusion::Absolute => "M82 ; E counts from the last G92",
            Extrusion::Relative => "M83 ; E counts from the last move",
        },
        bed = part.bed,
        nozzle = part.nozzle,
    );
    out.line(&head);
    out.zero_e();
    out.set_section(part.width, part.height, part.first_speed);
    match part.prime {
        Prime::Line { from, to } => {
            out.line("; prime line");
            out.raise(part.height);
            out.travel(from);
            out.lay_to(to);
        }
        Prime::Purge { place, length } => {
            out.line("; purge, standing still");
            out.raise(part.height * 4.0);
            out.travel(place);
            out.purge(length);
        }
    }
    out.line("; skirt");
    let skirt = skirt(&part.layers[0].region, SKIRT_GAP);
    out.travel(skirt.start);
    out.raise(part.height);
    out.lay(&skirt);
}

fn lay_layer(part: &Part, index: usize, layer: &Layer, out: &mut Writer) {
    let z = part.height * (index + 1) as f64;
    out.line(&format!("; layer {} at z = {}", index + 1, number(z, 3)));
    if index == 1 {
        out.set_section(part.width, part.height, part.speed);
        if part.fan > 0 {
            out.line(&format!("M106 S{}", part.fan));
        }
    }
    if index > 0 {
        if part.extrusion == Extrusion::Absolute {
            out.zero_e();
        }
        out.raise(z);
    }
    for wall in walls(layer, part.width) {
        out.lay(&wall);
    }
    for (from, to) in infill(layer, index, part.width, out.position()) {
        out.travel(from);
        out.lay_to(to);
    }
}

fn climb(part: &Part, wall: &Outline, turns: u32, out: &mut Writer) {
    let floor = part.height * part.layers.len() as f64;
    let (start, climbs) = spiral(wall, floor, part.height, turns);
    out.line(&format!("; one wall, climbing {} a turn", number(part.height, 3)));
    out.travel(start);
    for Climb { to, z, share } in climbs {
        out.lay_climbing(to, z, share);
    }
}

fn end(out: &mut Writer) {
    out.line("; done: the head goes up and back, heat and fan off");
    out.leave(LIFT, at(5.0, 5.0));
    out.line("M107\nM104 S0\nM140 S0\nM84");
}
