//! The widest instructions that the machine at hand has, chosen when the program runs.

/// Work over many days or futures. `call`, and what it calls, must be `#[inline(always)]`: a closure is not, and gains
/// nothing.
pub(crate) use pulp::NullaryFnOnce as Work;

/// Does it with the machine's own instructions: an x86 processor of the last decade works on four numbers at a time, where a
/// program built for all of them works on two. The result is the same to the last bit on every machine: the compiler
/// neither fuses nor reorders.
pub(crate) fn widest<W: Work>(work: W) -> W::Output {
    pulp::Arch::new().dispatch(work)
}
