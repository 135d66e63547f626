//! A text that is kept compressed, since most who ask for it take it so.

use std::io::{Read, Write};

use bytes::Bytes;
use flate2::Compression;
use flate2::read::GzDecoder;
use flate2::write::GzEncoder;

/// A text under gzip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Packed(Bytes);

/// Longest text, bytes; what was kept is read with a bound.
const LONGEST: u64 = 16 << 20;

impl Packed {
    pub fn of(text: &[u8]) -> Self {
        let mut writer = GzEncoder::new(Vec::new(), Compression::default());
        // Writing to memory does not fail; what is cut short would not open.
        let _ = writer.write_all(text);
        Self(writer.finish().unwrap_or_default().into())
    }

    /// What was packed elsewhere.
    pub fn from_gzip(bytes: Bytes) -> Self {
        Self(bytes)
    }

    pub fn gzip(&self) -> &Bytes {
        &self.0
    }

    /// The text; `None` when it is not whole, or too long.
    pub fn open(&self) -> Option<Vec<u8>> {
        let mut text = Vec::new();
        let mut reader = GzDecoder::new(&self.0[..]).take(LONGEST + 1);
        reader.read_to_end(&mut text).ok()?;
        (text.len() as u64 <= LONGEST).then_some(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_packed_text_opens_as_it_was_and_a_cut_one_does_not_open() {
        let text = "heat ".repeat(1000);
        let packed = Packed::of(text.as_bytes());
        assert!(packed.gzip().len() < 200);
        assert_eq!(packed.open().as_deref(), Some(text.as_bytes()));
        let cut = Packed::from_gzip(packed.gzip().slice(..packed.gzip().len() - 9));
        assert_eq!(cut.open(), None);
    }

    #[test]
    fn a_text_beyond_the_bound_is_refused_and_not_cut() {
        let longest = usize::try_from(LONGEST).unwrap();
        let text = vec![b' '; longest + 1];
        assert_eq!(Packed::of(&text).open(), None);
        assert_eq!(Packed::of(&text[1..]).open().map(|text| text.len()), Some(longest));
    }
}
