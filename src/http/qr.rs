//! Addresses as QR codes (ISO/IEC 18004): a phone's camera reads what nobody wants to type.

use std::fmt::Write as _;

use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;
use qrcode::types::Color;

/// The light frame that ISO/IEC 18004 asks for, in modules.
const QUIET: usize = 4;

/// A code for a terminal, two modules to a character. The light modules are drawn: most terminals are dark, and cameras read the
/// other way round as well. `None` for a text that no code can hold.
#[must_use]
pub fn qr_text(text: &str) -> Option<String> {
    let code = QrCode::new(text).ok()?;
    Some(code.render::<Dense1x2>().dark_color(Dense1x2::Light).light_color(Dense1x2::Dark).build())
}

/// A code for a page: dark on light whatever the page's colours are, as one path without any style. `None` for a text that no
/// code can hold.
pub(super) fn qr_svg(text: &str) -> Option<String> {
    let code = QrCode::new(text).ok()?;
    let (width, colours) = (code.width(), code.to_colors());
    let side = width + 2 * QUIET;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" width=\"264\" height=\"264\" role=\"img\" \
         aria-label=\"QR code of the address\" shape-rendering=\"crispEdges\">\
         <path fill=\"#fff\" d=\"M0 0h{side}v{side}H0z\"/><path fill=\"#000\" d=\""
    );
    for (row, line) in colours.chunks(width).enumerate() {
        for (column, _) in line.iter().enumerate().filter(|(_, colour)| **colour == Color::Dark) {
            // Writing to a string cannot fail.
            let _ = write!(svg, "M{} {}h1v1h-1z", column + QUIET, row + QUIET);
        }
    }
    svg.push_str("\"/></svg>");
    Some(svg)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO/IEC 18004, 6.3.3: a finder pattern is 7 × 7 modules, dark around light around dark. 6.3.1: side = 17 + 4 × version.
    #[test]
    fn a_code_has_its_finder_patterns_and_its_frame() {
        let svg = qr_svg("http://192.168.0.20:8017/key/0123456789abcdef0123456789abcdef").expect("it fits");
        let side: usize =
            svg.split("viewBox=\"0 0 ").nth(1).and_then(|rest| rest.split(' ').next()?.parse().ok()).expect("a side");
        assert_eq!((side - 8 - 17) % 4, 0);
        let dark = |x: usize, y: usize| svg.contains(&format!("M{x} {y}h1v1h-1z"));
        let finder = ["1111111", "1000001", "1011101", "1011101", "1011101", "1000001", "1111111"];
        for (left, top) in [(4, 4), (side - 11, 4), (4, side - 11)] {
            for (y, row) in finder.iter().enumerate() {
                for (x, module) in row.chars().enumerate() {
                    assert_eq!(dark(left + x, top + y), module == '1', "{x} {y}");
                }
            }
        }
        assert!(!(0..side).any(|at| dark(at, 3) || dark(3, at) || dark(at, side - 4) || dark(side - 4, at)));
        assert!(!svg.contains("style"), "the page's policy allows none");
    }

    #[test]
    fn a_code_for_a_terminal_is_lines_of_half_blocks_of_one_length() {
        let text = qr_text("http://192.168.0.20:8017/key/0123456789abcdef0123456789abcdef").expect("it fits");
        let lines: Vec<&str> = text.lines().collect();
        let width = lines[0].chars().count();
        assert!(lines.iter().all(|line| line.chars().count() == width && line.chars().all(|c| " ▀▄█".contains(c))));
        assert!(lines.len() * 2 >= width && lines[0].chars().all(|c| c == '█'), "{text}");
    }

    #[test]
    fn what_no_code_can_hold_has_none() {
        assert_eq!(qr_text(&"x".repeat(8000)), None);
        assert_eq!(qr_svg(&"x".repeat(8000)), None);
    }
}
