//! One file a feed; each turns an answer of its service into [`Reading`](super::Reading)s.
