//! The picture that an authenticator app reads: a QR code as SVG inside the page, since it must not lie at an address.

use std::fmt::Write;

use qrcode::{Color, EcLevel, QrCode};

/// Modules of quiet around it: ISO/IEC 18004, from memory.
const QUIET: usize = 4;

/// `None` when the text does not fit, which a setup address does by far.
pub(super) fn qr_code(text: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(text.as_bytes(), EcLevel::M).ok()?;
    let (width, colors) = (code.width(), code.to_colors());
    let mut path = String::new();
    for (y, row) in colors.chunks(width).enumerate() {
        let mut x = 0;
        for run in row.chunk_by(|a, b| a == b) {
            if run.first() == Some(&Color::Dark) {
                // Each run of dark modules is one bar.
                let _ = write!(path, "M{} {}h{}v1h-{}z", x + QUIET, y + QUIET, run.len(), run.len());
            }
            x += run.len();
        }
    }
    let side = width + 2 * QUIET;
    Some(format!(
        "<svg class=\"qr\" viewBox=\"0 0 {side} {side}\" role=\"img\" aria-label=\"Picture for an authenticator app\" \
         shape-rendering=\"crispEdges\"><path fill=\"#fff\" d=\"M0 0h{side}v{side}H0z\"></path><path fill=\"#000\" d=\"{path}\"></path></svg>"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_picture_is_square_with_quiet_around_it() {
        let svg = qr_code("otpauth://totp/Pinyon:maria?secret=MZXW6YTBOI&issuer=Pinyon").unwrap();
        roxmltree::Document::parse(&svg).expect("sound SVG");
        // The finder pattern's first bar: seven modules.
        assert!(svg.contains("d=\"M4 4h7v1h-7z"), "{svg}");
    }
}
