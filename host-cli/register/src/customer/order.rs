//! What a customer's document says of valves beside their tests, field by field.

use std::collections::BTreeMap;

use seathold_recording::plain::hidden_fault;
use serde::{Deserialize, Serialize};

/// A field of an order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OrderField {
    /// For whom.
    Customer,
    /// The customer's order.
    Order,
    /// Its line.
    Line,
    /// Drawing or type.
    Drawing,
    /// Material.
    Material,
    /// Heat number: the melt that the material is of.
    Heat,
    /// Procedure, with its revision.
    Procedure,
    /// A remark that the customer is to read.
    Remark,
}

impl OrderField {
    /// All, in the order in which they are printed.
    pub const ALL: [Self; 8] = [
        Self::Customer,
        Self::Order,
        Self::Line,
        Self::Drawing,
        Self::Material,
        Self::Heat,
        Self::Procedure,
        Self::Remark,
    ];

    /// As it is printed.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Customer => "Customer",
            Self::Order => "Order",
            Self::Line => "Order line",
            Self::Drawing => "Drawing",
            Self::Material => "Material",
            Self::Heat => "Heat number",
            Self::Procedure => "Procedure",
            Self::Remark => "Remark",
        }
    }

    pub(super) fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|field| crate::word(field) == word)
    }
}

/// What is stated, field by field; an empty text takes back what was stated before.
pub type OrderDetails = BTreeMap<OrderField, String>;

/// Longest text of a field, in characters.
pub const DETAIL_MAX: usize = 200;

/// What is wrong with the text of a field, if anything.
pub fn detail_fault(field: OrderField, text: &str) -> Option<String> {
    let count = text.chars().count();
    let words = field.words();
    let long = (count > DETAIL_MAX).then(|| format!("{words}: {count} characters; {DETAIL_MAX} are allowed"));
    long.or_else(|| Some(format!("{words}: {}", hidden_fault(text)?)))
}

/// A note's text as people read it: "Customer: Shellfish hatchery; Order: 4711".
pub(crate) fn words(text: &str) -> Option<String> {
    let fields: BTreeMap<String, String> = serde_json::from_str(text).ok()?;
    let word = |(name, text): (&String, &String)| {
        let name = OrderField::parse(name).map_or(name.as_str(), |field| field.words());
        if text.is_empty() { format!("{name}: taken back") } else { format!("{name}: {text}") }
    };
    Some(fields.iter().map(word).collect::<Vec<_>>().join("; "))
}
