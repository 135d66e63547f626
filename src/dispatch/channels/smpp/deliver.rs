//! What the message centre delivers: texts, parts of texts, and receipts.

use rusmpp::pdus::DeliverSm;
use rusmpp::tlvs::TlvValue;
use rusmpp::values::{DataCoding, GsmFeatures, MessageState};

use crate::delivery::inbound::Alphabet;
use crate::delivery::state::Report;

/// Whose receipt it is and what it says: by its fields (SMPP 3.4 section 5.3.2.12 and 5.3.2.35), else by the text of
/// appendix B.
pub(super) fn receipt_of(deliver: &DeliverSm) -> Option<(String, Report)> {
    let mut id = None;
    let mut report = None;
    for tlv in deliver.tlvs() {
        match tlv.value() {
            Some(TlvValue::ReceiptedMessageId(text)) => id = Some(text.as_str().to_owned()),
            Some(TlvValue::MessageState(state)) => report = report_of(*state),
            _ => {}
        }
    }
    let text = text_of(deliver);
    let word = |name: &str| {
        let at = text.to_ascii_lowercase().find(name)?;
        let rest = text.get(at + name.len()..)?;
        rest.split_whitespace().next().map(str::to_owned)
    };
    let id = id.or_else(|| word("id:")).filter(|id| !id.is_empty())?;
    let report = report.or_else(|| report_named(&word("stat:")?))?;
    Some((id, report))
}

fn report_of(state: MessageState) -> Option<Report> {
    match state {
        MessageState::Enroute | MessageState::Accepted => Some(Report::Accepted),
        MessageState::Delivered => Some(Report::Delivered),
        MessageState::Expired | MessageState::Deleted | MessageState::Undeliverable | MessageState::Rejected => {
            Some(Report::Undelivered)
        }
        _ => None,
    }
}

/// SMPP 3.4 appendix B.
fn report_named(state: &str) -> Option<Report> {
    match state.to_ascii_uppercase().as_str() {
        "ENROUTE" | "ACCEPTD" => Some(Report::Accepted),
        "DELIVRD" => Some(Report::Delivered),
        "EXPIRED" | "DELETED" | "UNDELIV" | "REJECTD" => Some(Report::Undelivered),
        _ => None,
    }
}

/// What a text or receipt holds, without the header in front of it.
pub(super) struct Content {
    pub(super) alphabet: Alphabet,
    pub(super) octets: Vec<u8>,
    /// For a part of a long text.
    pub(super) part: Option<Place>,
}

/// Where a part belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) reference: u16,
    pub(super) number: u8,
    pub(super) total: u8,
}

impl Content {
    pub(super) fn of(deliver: &DeliverSm) -> Self {
        let (mut payload, mut reference, mut number, mut total) = (None, None, None, None);
        for tlv in deliver.tlvs() {
            match tlv.value() {
                Some(TlvValue::MessagePayload(octets)) => payload = Some(octets.value.as_ref().to_vec()),
                // SMPP 3.4 sections 5.3.2.22 to 5.3.2.24.
                Some(TlvValue::SarMsgRefNum(value)) => reference = Some(*value),
                Some(TlvValue::SarSegmentSeqnum(value)) => number = Some(*value),
                Some(TlvValue::SarTotalSegments(value)) => total = Some(*value),
                _ => {}
            }
        }
        let mut octets = match payload {
            Some(payload) if deliver.short_message().is_empty() => payload,
            _ => deliver.short_message().as_ref().to_vec(),
        };
        let mut part = match (reference, number, total) {
            (Some(reference), Some(number), Some(total)) => Some(Place { reference, number, total }),
            _ => None,
        };
        if matches!(deliver.esm_class.gsm_features, GsmFeatures::UdhiIndicator | GsmFeatures::SetUdhiAndReplyPath) {
            let length = octets.first().map_or(0, |length| usize::from(*length) + 1);
            let header: Vec<u8> = octets.drain(..length.min(octets.len())).collect();
            part = place_in(header.get(1..).unwrap_or_default()).or(part);
        }
        // A text of one part is whole, and numbers that cannot be join nothing.
        let part = part.filter(|place| place.total > 1 && (1..=place.total).contains(&place.number));
        let alphabet = match deliver.data_coding {
            DataCoding::Ucs2 => Alphabet::Ucs2,
            // 3GPP TS 23.038 section 4: the same with a message class or a wish to be compressed later.
            DataCoding::Other(coding) if coding & 0b1100_1100 == 0b0000_1000 => Alphabet::Ucs2,
            DataCoding::Latin1 => Alphabet::Latin1,
            DataCoding::Ia5 => Alphabet::Ascii,
            _ => Alphabet::Gsm7,
        };
        Self { alphabet, octets, part }
    }
}

/// The element of a header that joins parts, with a reference of 8 or 16 bits (3GPP TS 23.040 sections 9.2.3.24.1 and
/// 9.2.3.24.8).
fn place_in(mut header: &[u8]) -> Option<Place> {
    while let [kind, length, rest @ ..] = header {
        let element = rest.get(..usize::from(*length))?;
        match (kind, element) {
            (0x00, [reference, total, number]) => {
                return Some(Place { reference: u16::from(*reference), number: *number, total: *total });
            }
            (0x08, [high, low, total, number]) => {
                return Some(Place { reference: u16::from_be_bytes([*high, *low]), number: *number, total: *total });
            }
            _ => header = &rest[element.len()..],
        }
    }
    None
}

/// The words of a receipt.
fn text_of(deliver: &DeliverSm) -> String {
    let Content { alphabet, octets, .. } = Content::of(deliver);
    alphabet.read(&octets)
}

#[cfg(test)]
mod tests {
    use rusmpp::types::OctetString;
    use rusmpp::values::EsmClass;

    use super::*;

    // 3GPP TS 23.040 section 9.2.3.24: elements of kind, length and data, in any order.
    #[test]
    fn the_place_of_a_part_is_found_among_other_elements_and_in_no_garbage() {
        let place = |reference, number, total| Some(Place { reference, number, total });
        assert_eq!(place_in(&[0x00, 3, 7, 2, 1]), place(7, 1, 2));
        assert_eq!(place_in(&[0x08, 4, 1, 2, 3, 3]), place(258, 3, 3));
        assert_eq!(place_in(&[0x05, 4, 0, 1, 0, 2, 0x24, 1, 1, 0x00, 3, 9, 4, 2]), place(9, 2, 4));
        for garbage in [&[][..], &[0x00], &[0x00, 3, 7, 2], &[0x08, 3, 1, 2, 3], &[0x00, 255, 1], &[0x70, 0]] {
            assert_eq!(place_in(garbage), None, "{garbage:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_octets_make_it_fail(octets in proptest::collection::vec(proptest::num::u8::ANY, 0..255), esm: u8, coding: u8) {
            let deliver = DeliverSm::builder()
                .esm_class(EsmClass::from(esm))
                .data_coding(DataCoding::from(coding))
                .short_message(OctetString::from_vec(octets).expect("short enough"))
                .build();
            let content = Content::of(&deliver);
            proptest::prop_assert!(content.part.is_none_or(|place| (1..=place.total).contains(&place.number)));
            let _ = (content.alphabet.read(&content.octets), receipt_of(&deliver));
        }
    }
}
