//! What becomes of something that may be there or not, when a part of what is there is changed.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A field of a change: left out it stays as it is, `null` takes it away. Use it with `default` and
/// `skip_serializing_if = "Edit::is_left"`.
///
/// ```
/// use thole_protocol::club::{Edit, PersonChange};
/// let change: PersonChange = serde_json::from_str(r#"{"born_year":null}"#).unwrap();
/// assert_eq!((change.born_year, change.hall_name), (Edit::Cleared, Edit::Left));
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Edit<T> {
    /// Stays as it is.
    #[default]
    Left,
    /// Is not there any more.
    Cleared,
    /// Is this from now on.
    Set(T),
}

impl<T> Edit<T> {
    /// Whether nothing is said of it.
    #[must_use]
    pub fn is_left(&self) -> bool {
        matches!(self, Edit::Left)
    }
}

impl<T: Serialize> Serialize for Edit<T> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        match self {
            Edit::Left | Edit::Cleared => to.serialize_none(),
            Edit::Set(value) => value.serialize(to),
        }
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Edit<T> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Edit<T>, D::Error> {
        Ok(Option::deserialize(from)?.map_or(Edit::Cleared, Edit::Set))
    }
}
