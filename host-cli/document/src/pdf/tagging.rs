//! Tagged PDF: the structure tree for screen readers.

use std::num::NonZeroU16;

use krilla::tagging::{Identifier, ListNumbering, Node, TableHeaderScope, Tag, TagGroup, TagKind, TagTree};

/// The kind of a tag.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Role {
    Heading(u8, String),
    Paragraph,
    /// A group, such as a chart and its caption.
    Group,
    /// A chart, with its description.
    Figure(String),
    Caption,
    /// Names with values: its items have labels of their own.
    Facts,
    List,
    Item,
    Label,
    Body,
    Table,
    TableHead,
    TableBody,
    Row,
    ColumnHead,
    RowHead,
    Cell,
}

/// A tag's number.
pub(super) type TagId = usize;

/// All tags, each after its parent.
#[derive(Debug, Default)]
pub(super) struct TagList {
    parts: Vec<(Role, Option<TagId>)>,
}

impl TagList {
    /// Adds one, as the last child of its parent.
    pub(super) fn add(&mut self, role: Role, of: Option<TagId>) -> TagId {
        self.parts.push((role, of));
        self.parts.len() - 1
    }

    pub(super) fn len(&self) -> usize {
        self.parts.len()
    }

    /// The tree, with what was drawn for each tag. Tags for which nothing was drawn are left out by `krilla`.
    pub(super) fn tree(&self, drawn: Vec<Vec<Identifier>>, language: &str) -> TagTree {
        let mut groups: Vec<Option<TagGroup>> = self
            .parts
            .iter()
            .zip(drawn)
            .map(|((role, _), leaves)| {
                Some(TagGroup::with_children(tag(role), leaves.into_iter().map(Node::Leaf).collect()))
            })
            .collect();
        // Going backwards, each tag is complete before it is moved into its parent; that reverses their order.
        let mut within: Vec<Vec<TagGroup>> = self.parts.iter().map(|_| Vec::new()).collect();
        let mut top = Vec::new();
        for (part, (_, of)) in self.parts.iter().enumerate().rev() {
            let Some(mut group) = groups[part].take() else { continue };
            for child in std::mem::take(&mut within[part]).into_iter().rev() {
                group.push(child);
            }
            of.map_or(&mut top, |of| &mut within[of]).push(group);
        }
        let mut tree = TagTree::new().with_lang(Some(language.into()));
        top.into_iter().rev().for_each(|group| tree.push(group));
        tree
    }
}

fn tag(role: &Role) -> TagKind {
    match role {
        Role::Heading(level, text) => {
            let level = NonZeroU16::new((*level).into()).unwrap_or(NonZeroU16::MIN);
            Tag::Hn(level, Some(text.clone())).into()
        }
        Role::Paragraph => Tag::P.into(),
        Role::Group => Tag::Div.into(),
        // A picture without a word on it would be none to whoever hears the page.
        Role::Figure(about) if about.trim().is_empty() => Tag::Figure(Some("picture".into())).into(),
        Role::Figure(about) => Tag::Figure(Some(about.clone())).into(),
        Role::Caption => Tag::Caption.into(),
        Role::Facts => Tag::L(ListNumbering::None).into(),
        Role::List => Tag::L(ListNumbering::Disc).into(),
        Role::Item => Tag::LI.into(),
        Role::Label => Tag::Lbl.into(),
        Role::Body => Tag::LBody.into(),
        Role::Table => Tag::Table.into(),
        Role::TableHead => Tag::THead.into(),
        Role::TableBody => Tag::TBody.into(),
        Role::Row => Tag::TR.into(),
        Role::ColumnHead => Tag::TH(TableHeaderScope::Column).into(),
        Role::RowHead => Tag::TH(TableHeaderScope::Row).into(),
        Role::Cell => Tag::TD.into(),
    }
}
