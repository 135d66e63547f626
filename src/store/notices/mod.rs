//! Notices with their texts and deliveries: how they are decided, wait, and leave.

mod decisions;
mod ground;
mod in_force;
mod notice;
mod order;
mod queueing;
mod release;
mod staff;
mod told;
mod words;

pub use decisions::{ask_first, keep_words, put_notice, renew, skip};
pub use in_force::{notice_in_force, tell_joined};
pub use notice::{
    NewNotice, Notice, NoticeRelease, NoticeState, NoticeText, OwnWords, Put, Recall, ReleasePlan, delivery_id,
};
pub use queueing::{QUEUED_AT_ONCE, QueuedRest};
pub use release::{DueOutcome, DueRelease, release};
pub(super) use release::{cancel_waiting, drop_rest};
pub use staff::{Recalled, hold_end_of};
pub use told::ToldNotice;
pub use words::{OwnText, Wording, has_own_words};
