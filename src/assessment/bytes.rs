//! Runs of bytes that were kept, with a sum over all of them: read as they were written, or not at all. Numbers are
//! little-endian.

use sha2::{Digest, Sha256};

/// Bytes of the sum over all others, at the end.
pub(super) const SUM: usize = 8;

/// With the sum.
pub(super) fn sealed(mut content: Vec<u8>) -> Vec<u8> {
    let sum = Sha256::digest(&content);
    content.extend(sum.iter().take(SUM));
    content
}

/// Without it; `None` for anything but what [`sealed`] gave.
pub(super) fn opened(bytes: &[u8]) -> Option<Reader<'_>> {
    let (content, sum) = bytes.split_at_checked(bytes.len().checked_sub(SUM)?)?;
    Sha256::digest(content).starts_with(sum).then_some(Reader(content))
}

pub(super) struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    pub fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        Some(taken)
    }

    pub fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        self.take(N)?.try_into().ok()
    }

    pub fn byte(&mut self) -> Option<u8> {
        self.array::<1>().map(|[byte]| byte)
    }

    pub fn number(&mut self) -> Option<u32> {
        self.array().map(u32::from_le_bytes)
    }

    pub fn signed(&mut self) -> Option<i32> {
        self.array().map(i32::from_le_bytes)
    }

    pub fn value(&mut self) -> Option<f64> {
        self.array().map(f64::from_le_bytes)
    }

    pub fn is_at_end(&self) -> bool {
        self.0.is_empty()
    }
}
