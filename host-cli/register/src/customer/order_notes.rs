//! Orders as notes: stated of a batch, or of one of its valves where that is another. Nothing is lost when it is stated anew.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::order::{DETAIL_MAX, OrderDetails, OrderField};
use crate::Register;
use crate::error::{Error, RegisterError};
use crate::note::{NewNote, NoteKind, NoteRecord};

/// What a note states. A field that a newer program added is left out.
fn stated(note: &NoteRecord) -> Option<OrderDetails> {
    let fields: BTreeMap<String, String> = serde_json::from_str(&note.text).ok()?;
    Some(fields.into_iter().filter_map(|(name, text)| Some((OrderField::parse(&name)?, text))).collect())
}

/// What holds for a batch and its valves.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BatchOrder {
    of_batch: OrderDetails,
    of_valves: BTreeMap<String, OrderDetails>,
    /// What is wrong with notes that are not what was sealed; what they state is left out.
    pub altered: Vec<String>,
}

impl BatchOrder {
    /// Reads it.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn of(register: &Register, batch: &str) -> Result<Self, Error> {
        let notes = register.notes(Some(batch), None)?;
        let mut order = Self::default();
        for note in notes.iter().filter(|note| note.kind == NoteKind::Order) {
            if let Some(what) = register.altered(&note.bench, note.number)? {
                order.altered.push(format!("record {} {what}", register.short(&note.name())));
                continue;
            }
            let to = match &note.serial {
                Some(serial) => order.of_valves.entry(serial.clone()).or_default(),
                None => &mut order.of_batch,
            };
            to.extend(stated(note).unwrap_or_default());
        }
        Ok(order)
    }

    /// What holds for the batch as a whole.
    pub fn batch(&self) -> OrderDetails {
        self.of_batch.iter().filter(|(_, text)| !text.is_empty()).map(|(f, text)| (*f, text.clone())).collect()
    }

    /// What holds for a valve: its own, or else that of the batch.
    pub fn valve(&self, serial: &str) -> OrderDetails {
        let mut details = self.batch();
        let own = self.of_valves.get(serial).into_iter().flatten().filter(|(_, text)| !text.is_empty());
        details.extend(own.map(|(field, text)| (*field, text.clone())));
        details
    }

    /// The valves that something of their own was stated of.
    pub fn valves(&self) -> impl Iterator<Item = &str> {
        self.of_valves.keys().map(String::as_str)
    }
}

impl Register {
    /// States details of a batch, or of a valve of it. What is not named stays as it was. Gives the number of the record.
    ///
    /// # Errors
    /// When nothing is stated, a text is too long or acts on a screen, the valve is not of the batch, or the register cannot be
    /// written.
    pub fn state_order(
        &mut self,
        details: &OrderDetails,
        (batch, serial): (&str, Option<&str>),
        (operator, now): (&str, Timestamp),
    ) -> Result<i64, Error> {
        let listed = self.valves_of(batch)?;
        let long = |text: &String| text.chars().count() > DETAIL_MAX || text.chars().any(char::is_control);
        let wrong = details
            .is_empty()
            .then(|| "nothing is stated".to_owned())
            .or_else(|| operator.trim().is_empty().then(|| "who says so? Give --operator".into()))
            .or_else(|| {
                let (field, text) = details.iter().find(|(_, text)| long(text))?;
                let count = text.chars().count();
                let words = field.words();
                Some(format!("{words}: {count} characters; {DETAIL_MAX} are allowed, and none that acts on a screen"))
            })
            .or_else(|| {
                let serial = serial?;
                let known = listed.iter().any(|valve| valve.serial == serial);
                (!known).then(|| format!("{serial} is not on the list of this batch"))
            });
        if let Some(why) = wrong {
            return Err(Error::register(self.path(), RegisterError::Refused(why)));
        }
        let note = NewNote {
            kind: NoteKind::Order,
            batch: Some(batch.into()),
            serial: serial.map(str::to_owned),
            about: None,
            operator: operator.into(),
            // Words and texts: nothing that JSON cannot write.
            text: serde_json::to_string(details).unwrap_or_default(),
        };
        self.note(&note, now)
    }
}
