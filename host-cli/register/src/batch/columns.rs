//! The columns of a list as shops write it: what each is used for, from its name or as an option says.

use std::fmt;

use seathold_quantity::did_you_mean;

use crate::customer::order::OrderField;

/// What a column is used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ColumnUse {
    /// Serial numbers.
    Serial,
    /// How the valves are worked.
    Actuation,
    /// Sizes in DN, where a number stands alone.
    Dn,
    /// Sizes in inches, where a number stands alone.
    Nps,
    /// Sizes; a number alone is DN or inches as the whole column shows.
    Size,
    /// Remarks.
    Notes,
    /// Greatest leak.
    Limit,
    /// Recipe.
    Recipe,
    /// What the customer's document is to say beside the tests.
    Order(OrderField),
    /// Kept as a remark, with the column's name.
    Remark,
    /// Not read.
    Ignored,
}

/// A list's own names of the uses, as for the option.
const OWN: [(&str, ColumnUse); 17] = [
    ("serial", ColumnUse::Serial),
    ("actuation", ColumnUse::Actuation),
    ("dn", ColumnUse::Dn),
    ("nps", ColumnUse::Nps),
    ("notes", ColumnUse::Notes),
    ("limit", ColumnUse::Limit),
    ("recipe", ColumnUse::Recipe),
    ("customer", ColumnUse::Order(OrderField::Customer)),
    ("order", ColumnUse::Order(OrderField::Order)),
    ("order line", ColumnUse::Order(OrderField::Line)),
    ("drawing", ColumnUse::Order(OrderField::Drawing)),
    ("material", ColumnUse::Order(OrderField::Material)),
    ("heat", ColumnUse::Order(OrderField::Heat)),
    ("procedure", ColumnUse::Order(OrderField::Procedure)),
    ("customer remark", ColumnUse::Order(OrderField::Remark)),
    ("remark", ColumnUse::Remark),
    ("ignore", ColumnUse::Ignored),
];

/// Other names that shops write over columns, without case, points and units. Common practice, no source.
const OTHER: [(&str, ColumnUse); 56] = [
    ("serial no", ColumnUse::Serial),
    ("serial nr", ColumnUse::Serial),
    ("serial number", ColumnUse::Serial),
    ("serial numbers", ColumnUse::Serial),
    ("serialno", ColumnUse::Serial),
    ("serialnumber", ColumnUse::Serial),
    ("ser no", ColumnUse::Serial),
    ("s/n", ColumnUse::Serial),
    ("sn", ColumnUse::Serial),
    ("valve no", ColumnUse::Serial),
    ("valve number", ColumnUse::Serial),
    ("valve nr", ColumnUse::Serial),
    ("valve #", ColumnUse::Serial),
    ("valve serial", ColumnUse::Serial),
    ("serial #", ColumnUse::Serial),
    ("tag no", ColumnUse::Serial),
    ("tag nr", ColumnUse::Serial),
    ("tag number", ColumnUse::Serial),
    ("tag #", ColumnUse::Serial),
    ("serial nos", ColumnUse::Serial),
    ("type", ColumnUse::Actuation),
    ("kind", ColumnUse::Actuation),
    ("operation", ColumnUse::Actuation),
    ("operated", ColumnUse::Actuation),
    ("actuator", ColumnUse::Actuation),
    ("size", ColumnUse::Size),
    ("nominal size", ColumnUse::Size),
    ("nominal diameter", ColumnUse::Size),
    ("nom size", ColumnUse::Size),
    ("inch", ColumnUse::Nps),
    ("inches", ColumnUse::Nps),
    ("note", ColumnUse::Notes),
    ("remarks", ColumnUse::Notes),
    ("comment", ColumnUse::Notes),
    ("comments", ColumnUse::Notes),
    ("class", ColumnUse::Limit),
    ("rate", ColumnUse::Limit),
    ("leak class", ColumnUse::Limit),
    ("leakage class", ColumnUse::Limit),
    ("leak rate", ColumnUse::Limit),
    ("leakage rate", ColumnUse::Limit),
    ("seat leakage", ColumnUse::Limit),
    ("max leak", ColumnUse::Limit),
    ("order no", ColumnUse::Order(OrderField::Order)),
    ("order nr", ColumnUse::Order(OrderField::Order)),
    ("order number", ColumnUse::Order(OrderField::Order)),
    ("purchase order", ColumnUse::Order(OrderField::Order)),
    ("po", ColumnUse::Order(OrderField::Order)),
    ("po no", ColumnUse::Order(OrderField::Order)),
    ("po number", ColumnUse::Order(OrderField::Order)),
    ("drawing no", ColumnUse::Order(OrderField::Drawing)),
    ("drawing number", ColumnUse::Order(OrderField::Drawing)),
    ("heat no", ColumnUse::Order(OrderField::Heat)),
    ("heat nr", ColumnUse::Order(OrderField::Heat)),
    ("heat number", ColumnUse::Order(OrderField::Heat)),
    ("order item", ColumnUse::Order(OrderField::Line)),
];

/// Names of columns that number the rows, which say nothing of a valve. Common practice, no source.
const ROW_NUMBER: [&str; 8] = ["no", "nr", "#", "row", "row no", "line", "line no", "item no"];

impl ColumnUse {
    /// Where its values go: two columns of one place would be two answers to one question.
    const fn place(self) -> Option<usize> {
        match self {
            Self::Serial => Some(0),
            Self::Actuation => Some(1),
            Self::Dn | Self::Nps | Self::Size => Some(2),
            Self::Limit => Some(3),
            Self::Recipe => Some(4),
            Self::Order(field) => Some(5 + field as usize),
            Self::Notes | Self::Remark | Self::Ignored => None,
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::Serial => "serial",
            Self::Actuation => "actuation",
            Self::Dn => "size in DN",
            Self::Nps => "size in inches",
            Self::Size => "size",
            Self::Notes => "notes",
            Self::Limit => "limit",
            Self::Recipe => "recipe",
            Self::Order(OrderField::Customer) => "customer",
            Self::Order(OrderField::Order) => "order",
            Self::Order(OrderField::Line) => "order line",
            Self::Order(OrderField::Drawing) => "drawing",
            Self::Order(OrderField::Material) => "material",
            Self::Order(OrderField::Heat) => "heat",
            Self::Order(OrderField::Procedure) => "procedure",
            Self::Order(OrderField::Remark) => "customer remark",
            Self::Remark => "remark",
            Self::Ignored => "ignored",
        }
    }
}

/// One that was given a use by an option: its name, and the use.
pub type GivenUse = (String, ColumnUse);

/// Reads "HEAD=USE".
///
/// # Errors
/// What it should be.
pub fn given(text: &str) -> Result<GivenUse, String> {
    let uses = || OWN.iter().map(|(word, _)| *word);
    let list = || uses().collect::<Vec<_>>().join(", ");
    let Some((head, of)) = text.rsplit_once('=').filter(|(head, _)| !head.trim().is_empty()) else {
        return Err(format!("give NAME=USE, like \"Customer=ignore\"; uses are {}", list()));
    };
    let found = OWN.iter().find(|(word, _)| word.eq_ignore_ascii_case(of.trim()));
    let found = found.ok_or_else(|| {
        format!("\"{of}\" is no use of a column{} (there are: {})", did_you_mean(of.trim(), uses()), list())
    })?;
    Ok((head.trim().to_owned(), found.1))
}

/// A column: its name in the file, and what it is used for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// As written.
    pub head: String,
    /// What for.
    pub of: ColumnUse,
}

/// What the columns of a list are used for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Columns(pub Vec<Column>);

/// A name without case, points and what stands in brackets, and that.
fn plain(head: &str) -> (String, String) {
    let lower = head.to_lowercase();
    let (name, unit) = match lower.split_once(['[', '(']) {
        Some((name, unit)) => (name, unit.trim_end_matches([']', ')'])),
        None => (lower.as_str(), ""),
    };
    let spaced = name.replace(['.', '_', '-', ':'], " ").replace('#', " # ");
    (spaced.split_whitespace().collect::<Vec<_>>().join(" "), unit.trim().to_owned())
}

impl Columns {
    /// Of these names, and uses given for some of them.
    ///
    /// # Errors
    /// Every name that is unclear, and every use for a column that is not there.
    pub fn of<'h>(heads: impl Iterator<Item = &'h str>, given: &[GivenUse]) -> Result<Self, Vec<String>> {
        let mut wrong = Vec::new();
        let mut columns = Vec::new();
        let same = |one: &str, other: &str| one.trim().eq_ignore_ascii_case(other.trim());
        for head in heads {
            let by_option = given.iter().find(|(name, _)| same(name, head)).map(|(_, of)| *of);
            let of = by_option.unwrap_or_else(|| by_name(head, &mut wrong));
            columns.push((Column { head: head.to_owned(), of }, by_option.is_some()));
        }
        for (name, _) in given.iter().filter(|(name, _)| columns.iter().all(|(column, _)| !same(name, &column.head))) {
            let heads: Vec<&str> = columns.iter().map(|(column, _)| column.head.as_str()).collect();
            wrong.push(format!("--column {name}: there is no such column (there are: {})", heads.join(", ")));
        }
        for place in 0..5 + OrderField::ALL.len() {
            one_of(place, &mut columns, &mut wrong);
        }
        let columns = Self(columns.into_iter().map(|(column, _)| column).collect());
        if columns.place(ColumnUse::Serial).is_none() {
            let heads: Vec<String> = columns.0.iter().map(|column| format!("\"{}\"", column.head)).collect();
            wrong.push(format!(
                "there is no column \"serial\" (there are: {}); the first line names the columns, and --column \"NAME=serial\" \
                 says which it is",
                heads.join(", ")
            ));
        }
        if wrong.is_empty() { Ok(columns) } else { Err(wrong) }
    }

    /// Where the column for something is, if there is one.
    pub(super) fn place(&self, of: ColumnUse) -> Option<usize> {
        self.0.iter().position(|column| column.of.place() == of.place() && of.place().is_some())
    }

    /// Whether every column has its own name, so that nothing need be said.
    pub fn plain(&self) -> bool {
        let own =
            |column: &Column| OWN.iter().any(|(word, of)| *of == column.of && word.eq_ignore_ascii_case(&column.head));
        self.0.iter().all(own)
    }
}

fn by_name(head: &str, wrong: &mut Vec<String>) -> ColumnUse {
    let (name, unit) = plain(head);
    if ROW_NUMBER.contains(&name.as_str()) {
        return ColumnUse::Ignored;
    }
    let known = OWN.iter().take(15).chain(&OTHER).find(|(word, _)| *word == name).map(|(_, of)| *of);
    match (known, unit.as_str()) {
        (Some(ColumnUse::Size), "in" | "inch" | "inches" | "\"" | "nps") => ColumnUse::Nps,
        (Some(ColumnUse::Size), "mm" | "dn") => ColumnUse::Dn,
        (Some(of), _) => of,
        (None, _) => {
            let names = || OWN.iter().map(|(word, _)| *word);
            let hint = did_you_mean(&name, names().take(7));
            if !hint.is_empty() {
                // A slip would make a remark of what was meant to count.
                wrong.push(format!(
                    "column \"{head}\" is not known{hint} (uses are {}); --column \"{head}=USE\" says what it is, \
                     \"{head}=remark\" keeps it, \"{head}=ignore\" leaves it out",
                    names().collect::<Vec<_>>().join(", ")
                ));
            }
            ColumnUse::Remark
        }
    }
}

/// Leaves one column for a place: what an option says, then a list's own name; the others are kept as remarks.
fn one_of(place: usize, columns: &mut [(Column, bool)], wrong: &mut Vec<String>) {
    let own = |column: &Column| OWN.iter().any(|(word, _)| plain(&column.head).0 == *word);
    let rank = |column: &(Column, bool)| if column.1 { 2 } else { u8::from(own(&column.0)) };
    let here: Vec<usize> = (0..columns.len()).filter(|at| columns[*at].0.of.place() == Some(place)).collect();
    let Some(best) = here.iter().map(|at| rank(&columns[*at])).max() else { return };
    let first: Vec<usize> = here.iter().copied().filter(|at| rank(&columns[*at]) == best).collect();
    if first.len() > 1 {
        let heads: Vec<String> = first.iter().map(|at| format!("\"{}\"", columns[*at].0.head)).collect();
        let of = columns[first[0]].0.of.words();
        let head = &columns[first[0]].0.head;
        wrong.push(format!(
            "columns {} may each be the {of}: say which, like --column \"{head}=remark\"",
            heads.join(" and ")
        ));
    }
    for at in here.into_iter().filter(|at| *at != first[0]) {
        columns[at].0.of = ColumnUse::Remark;
    }
}

/// "\"Serial No\" is serial, \"Size\" is size in DN; kept as remarks: \"Customer\"".
impl fmt::Display for Columns {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let of = |want: fn(ColumnUse) -> bool| self.0.iter().filter(move |column| want(column.of));
        let used = of(|of| !matches!(of, ColumnUse::Remark | ColumnUse::Ignored));
        let used: Vec<String> = used.map(|column| format!("\"{}\" is {}", column.head, column.of.words())).collect();
        write!(f, "{}", used.join(", "))?;
        for (words, want) in [("kept as remarks", ColumnUse::Remark), ("ignored", ColumnUse::Ignored)] {
            let heads: Vec<String> =
                self.0.iter().filter(|column| column.of == want).map(|column| format!("\"{}\"", column.head)).collect();
            if !heads.is_empty() {
                write!(f, "; {words}: {}", heads.join(", "))?;
            }
        }
        Ok(())
    }
}

/// Words for a valve that is worked by hand; below for one by air with a spring, and those that mean something else. Common
/// practice, no source.
pub const HAND: [&str; 9] =
    ["hand", "manual", "manually", "lever", "handle", "handlever", "handwheel", "gear", "gearbox"];
/// The same for air.
pub const AIR: [&str; 4] = ["air", "pneumatic", "pneumatically", "spring"];
const OTHERWISE: [&str; 8] =
    ["electric", "electrical", "electrically", "motor", "hydraulic", "double", "steam", "solenoid"];

/// How a valve is worked, in the register's word: "lever", "Manual" and "hand" are one, "pneumatic, spring return" and "air"
/// another.
pub fn actuation(text: &str) -> Option<&'static str> {
    let lower = text.to_lowercase();
    let words: Vec<&str> = lower.split(|c: char| !c.is_alphanumeric()).collect();
    let any = |of: &[&str]| words.iter().any(|word| of.contains(word));
    match (any(&HAND), any(&AIR), any(&OTHERWISE)) {
        (true, false, false) => Some("hand"),
        (false, true, false) => Some("air"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn uses(heads: &[&str], given: &[&str]) -> Result<String, Vec<String>> {
        let given: Vec<GivenUse> = given.iter().map(|text| super::given(text).unwrap()).collect();
        Columns::of(heads.iter().copied(), &given).map(|columns| columns.to_string())
    }

    #[test]
    fn columns_by_their_names() {
        assert_eq!(
            uses(&["Serial No.", "Type", "Size [in]", "Customer"], &[]).unwrap(),
            "\"Serial No.\" is serial, \"Type\" is actuation, \"Size [in]\" is size in inches, \"Customer\" is customer"
        );
        assert_eq!(
            uses(&["S/N", "Nominal size", "Customer", "Price"], &["price=ignore", "Customer=notes"]).unwrap(),
            "\"S/N\" is serial, \"Nominal size\" is size, \"Customer\" is notes; ignored: \"Price\""
        );
        // The list's own name before another.
        assert_eq!(
            uses(&["serial", "type", "actuation"], &[]).unwrap(),
            "\"serial\" is serial, \"actuation\" is actuation; kept as remarks: \"type\""
        );
        assert_eq!(uses(&["Tag", "dn"], &["Tag=serial"]).unwrap(), "\"Tag\" is serial, \"dn\" is size in DN");
    }

    #[test]
    fn what_is_unclear_is_named_at_once() {
        let wrong = uses(&["Tag", "acuation", "type", "kind"], &["Gone=ignore"]).unwrap_err();
        assert_eq!(wrong.len(), 4, "{wrong:?}");
        assert!(wrong[0].starts_with("column \"acuation\""), "{wrong:?}");
        assert!(wrong[1].contains("--column Gone: there is no such column"), "{wrong:?}");
        assert!(wrong[2].contains("columns \"type\" and \"kind\" may each be the actuation"), "{wrong:?}");
        assert!(wrong[3].contains("there is no column \"serial\""), "{wrong:?}");
        for bad in ["Customer", "=serial", "Customer=colour"] {
            assert!(given(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn how_a_valve_is_worked_in_the_words_of_shops() {
        for (text, word) in [
            ("Lever", Some("hand")),
            ("manual", Some("hand")),
            ("hand-operated", Some("hand")),
            ("pneumatic, spring return", Some("air")),
            ("AIR", Some("air")),
            ("ball valve with lever", Some("hand")),
            ("steam", None),
            ("pneumatic, double acting", None),
            ("air/hand", None),
            ("2-piece", None),
        ] {
            assert_eq!(actuation(text), word, "{text}");
        }
    }
}
