//! Serialises an ordered list of pairs as a map, the form in which users meet it.

use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::marker::PhantomData;

pub(crate) fn serialize<K: Serialize, V: Serialize, S: Serializer>(
    pairs: &[(K, V)],
    serializer: S,
) -> Result<S::Ok, S::Error> {
    let mut map = serializer.serialize_map(Some(pairs.len()))?;
    for (key, value) in pairs {
        map.serialize_entry(key, value)?;
    }
    map.end()
}

struct Pairs<K, V>(PhantomData<(K, V)>);

impl<'de, K: Deserialize<'de>, V: Deserialize<'de>> Visitor<'de> for Pairs<K, V> {
    type Value = Vec<(K, V)>;
    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("a map")
    }
    fn visit_map<A: MapAccess<'de>>(self, mut access: A) -> Result<Self::Value, A::Error> {
        let mut pairs = Vec::with_capacity(access.size_hint().unwrap_or(0));
        while let Some(pair) = access.next_entry()? {
            pairs.push(pair);
        }
        Ok(pairs)
    }
}

pub(crate) fn deserialize<'de, K: Deserialize<'de>, V: Deserialize<'de>, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Vec<(K, V)>, D::Error> {
    deserializer.deserialize_map(Pairs(PhantomData))
}
