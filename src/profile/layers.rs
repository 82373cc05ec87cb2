//! The layers of the rig: defaults, files, environment, flags. The one file that knows the `config` crate.
//!
//! Each layer is parsed with places first. `config` then decides which layer's value holds; each of its
//! values carries the number of its layer as its origin, and by that the places are found again.

use super::log::Place;
use super::text::{Node, Raw, Tree};
use config::{Config, ConfigError, Map, Source, Value, ValueKind};

/// Everything stands below one key, so that no key of a file is taken for one of `config`'s path expressions.
const ROOT: &str = "rig";

/// One layer, seen by `config`.
#[derive(Clone, Debug)]
struct Layer {
    values: Map<String, Value>,
}

impl Source for Layer {
    fn clone_into_box(&self) -> Box<dyn Source + Send + Sync> {
        Box::new(self.clone())
    }

    fn collect(&self) -> Result<Map<String, Value>, ConfigError> {
        Ok(Map::from([(ROOT.to_owned(), Value::new(None, ValueKind::Table(self.values.clone())))]))
    }
}

/// One tree out of several, later ones over earlier ones: tables are merged key by key, all else is replaced.
pub(super) fn merge(layers: &[Tree]) -> Tree {
    let builder = layers.iter().enumerate().fold(Config::builder(), |builder, (index, tree)| {
        builder.add_source(Layer { values: to_config(tree, &index.to_string()) })
    });
    let merged = builder.build().and_then(|merged| merged.cache.into_table()).map(|mut root| root.remove(ROOT));
    match merged {
        Ok(Some(Value { kind: ValueKind::Table(table), .. })) => {
            from_config(&table, &layers.iter().map(Some).collect::<Vec<_>>())
        }
        _ => Tree::new(),
    }
}

fn to_config(tree: &Tree, layer: &String) -> Map<String, Value> {
    tree.iter()
        .map(|(key, node)| {
            let kind = match &node.value {
                Raw::Table(inner) => ValueKind::Table(to_config(inner, layer)),
                Raw::Text(text) => ValueKind::String(text.clone()),
                Raw::Whole(number) => ValueKind::I64(*number),
                Raw::Number(number) => ValueKind::Float(*number),
                Raw::Flag(flag) => ValueKind::Boolean(*flag),
                // Replaced as a whole, so what is in it does not matter here.
                Raw::List(_) | Raw::Other(_) => ValueKind::Nil,
            };
            (key.clone(), Value::new(Some(layer), kind))
        })
        .collect()
}

/// The tree that `config` settled on, with the places of the layers: a table's order is that of its first
/// mention, its place that of its last.
fn from_config(merged: &Map<String, Value>, layers: &[Option<&Tree>]) -> Tree {
    let in_layer = |layer: usize, key: &str| layers[layer].and_then(|tree| tree.get(key));
    merged
        .iter()
        .filter_map(|(key, value)| {
            let node = if let ValueKind::Table(table) = &value.kind {
                let tables: Vec<Option<&Node>> = (0..layers.len())
                    .map(|layer| in_layer(layer, key).filter(|node| matches!(node.value, Raw::Table(_))))
                    .collect();
                let inner: Vec<Option<&Tree>> = tables
                    .iter()
                    .map(|node| match node.map(|node| &node.value) {
                        Some(Raw::Table(tree)) => Some(tree),
                        _ => None,
                    })
                    .collect();
                let first: Place = tables.iter().flatten().next()?.key_at;
                let last: Place = tables.iter().flatten().next_back()?.at;
                Node { key_at: first, at: last, value: Raw::Table(from_config(table, &inner)) }
            } else {
                in_layer(value.origin()?.parse().ok()?, key)?.clone()
            };
            Some((key.clone(), node))
        })
        .collect()
}
