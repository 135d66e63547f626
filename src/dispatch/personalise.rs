//! What differs from person to person, filled in at the last moment.

use url::Url;

use crate::message::{self, Message, Personal};
use crate::people::{AddressId, Channel};

/// Fills in what differs from person to person.
pub trait Personaliser: Send + Sync {
    /// The message as this addressee gets it.
    ///
    /// # Errors
    /// With the reason when it cannot be made: then the delivery waits for another try, since the fault is ours.
    fn personalise(&self, message: &Message, to: &Addressee<'_>) -> Result<Personalised, String>;
}

/// Whom a message is for.
#[derive(Clone, Copy, Debug)]
pub struct Addressee<'a> {
    pub address_id: &'a AddressId,
    pub notice: &'a str,
    pub channel: Channel,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Personalised {
    pub message: Message,
    pub stop_url: Option<Url>,
}

/// Sends every message as it was written: for stores whose texts have no place for a stop link.
pub struct AsWritten;

impl Personaliser for AsWritten {
    fn personalise(&self, message: &Message, to: &Addressee<'_>) -> Result<Personalised, String> {
        (|_: &Addressee<'_>| None).personalise(message, to)
    }
}

/// A function that makes the addressee's stop link.
impl<F> Personaliser for F
where
    F: Fn(&Addressee<'_>) -> Option<Url> + Send + Sync,
{
    fn personalise(&self, message: &Message, to: &Addressee<'_>) -> Result<Personalised, String> {
        let personal = Personal { stop_url: self(to) };
        let message = message::personalise(message.clone(), &personal).map_err(|why| why.to_string())?;
        Ok(Personalised { message, stop_url: personal.stop_url })
    }
}
