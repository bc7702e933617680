//! Orders as notes: stated of a batch, or of one of its valves where that is another. Nothing is lost when it is stated anew.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::order::{OrderDetails, OrderField, detail_fault};
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

/// What is stated as valves are listed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ListedOrder {
    /// Of the batch as a whole.
    pub of_batch: OrderDetails,
    /// Of its valves, by serial, where that is another.
    pub of_valves: BTreeMap<String, OrderDetails>,
}

impl ListedOrder {
    /// What a new batch is opened with: what is the same for all its valves is the batch's.
    pub fn of_new_batch(
        mut of_batch: OrderDetails,
        mut of_valves: BTreeMap<String, OrderDetails>,
        valves: usize,
    ) -> Self {
        of_batch.retain(|_, text| !text.is_empty());
        for field in OrderField::ALL {
            let mut texts: Vec<&String> = of_valves.values().filter_map(|details| details.get(&field)).collect();
            let all = texts.len() == valves;
            texts.dedup();
            if let ([one], true) = (texts.as_slice(), all) {
                of_batch.insert(field, (*one).clone());
            }
        }
        for details in of_valves.values_mut() {
            details.retain(|field, text| of_batch.get(field) != Some(text));
        }
        of_valves.retain(|_, details| !details.is_empty());
        Self { of_batch, of_valves }
    }

    /// What is wrong with it, if anything.
    pub(crate) fn fault(&self) -> Option<String> {
        let mut each = self.of_valves.values().chain([&self.of_batch]).flatten();
        each.find_map(|(field, text)| detail_fault(*field, text))
    }

    /// As notes.
    pub(crate) fn notes(&self, batch: &str, operator: &str) -> Vec<NewNote> {
        let of_batch = [&self.of_batch].into_iter().filter(|details| !details.is_empty());
        let of_batch = of_batch.map(|details| note_of(details, (batch, None), operator));
        let of_valves =
            self.of_valves.iter().map(|(serial, details)| note_of(details, (batch, Some(serial)), operator));
        of_batch.chain(of_valves).collect()
    }
}

fn note_of(details: &OrderDetails, (batch, serial): (&str, Option<&str>), operator: &str) -> NewNote {
    NewNote {
        kind: NoteKind::Order,
        batch: Some(batch.into()),
        serial: serial.map(str::to_owned),
        about: None,
        operator: operator.into(),
        // Words and texts: nothing that JSON cannot write.
        text: serde_json::to_string(details).unwrap_or_default(),
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
        let wrong = details
            .is_empty()
            .then(|| "nothing is stated".to_owned())
            .or_else(|| operator.trim().is_empty().then(|| "who says so? Give --operator".into()))
            .or_else(|| details.iter().find_map(|(field, text)| detail_fault(*field, text)))
            .or_else(|| {
                let serial = serial?;
                let known = listed.iter().any(|valve| valve.serial == serial);
                (!known).then(|| format!("{serial} is not on the list of this batch"))
            });
        if let Some(why) = wrong {
            return Err(Error::register(self.path(), RegisterError::Refused(why)));
        }
        self.note(&note_of(details, (batch, serial), operator), now)
    }
}
