//! What a part is made of, as people write it: a name, or a coefficient with its source.

use std::str::FromStr;

use super::Material;

impl Material {
    /// The names that are known, as people write them.
    pub const NAMED: [(&'static str, Self); 14] = [
        ("steel-1020", Self::Steel1020),
        ("steel-1040", Self::Steel1040),
        ("steel-4140", Self::Steel4140),
        ("steel-4340", Self::Steel4340),
        ("stainless-304", Self::Stainless304),
        ("gray-iron", Self::GrayIron),
        ("ductile-iron-60-40-18", Self::DuctileIron604018),
        ("ductile-iron-80-55-06", Self::DuctileIron805506),
        ("aluminium-356", Self::Aluminium356),
        ("die-cast-360", Self::DieCast360),
        ("die-cast-380", Self::DieCast380),
        ("die-cast-a380", Self::DieCastA380),
        ("die-cast-383", Self::DieCast383),
        ("die-cast-384", Self::DieCast384),
    ];
}

/// A text that names no material.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is no material: write {}, or a coefficient in 1e-6 per K with its source, as in \"21.5: data sheet, page 2\"", Material::NAMED.map(|(name, _)| name).join(", "))]
pub struct MaterialError {
    /// What was given.
    pub given: String,
}

impl FromStr for Material {
    type Err = MaterialError;

    /// Reads a name, whatever its case and hyphens, or `21.5: where it was read`. A coefficient without a source is read
    /// too: the arithmetic refuses it with a sentence of its own.
    fn from_str(text: &str) -> Result<Self, MaterialError> {
        let plain = |text: &str| text.trim().to_lowercase().replace(['-', ' '], "");
        if let Some((_, material)) = Self::NAMED.into_iter().find(|(name, _)| plain(name) == plain(text)) {
            return Ok(material);
        }
        let (coefficient, source) = text.split_once(':').unwrap_or((text, ""));
        match hundredths(coefficient.trim()) {
            Some(hundredths) => Ok(Self::Stated { hundredths, source: source.trim().to_owned() }),
            None => Err(MaterialError { given: text.to_owned() }),
        }
    }
}

/// A decimal number of at most two decimals, in hundredths.
fn hundredths(text: &str) -> Option<u32> {
    let (whole, fraction) = text.split_once(['.', ',']).unwrap_or((text, ""));
    let digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 4 || fraction.len() > 2 || !digits(whole) || !digits(fraction) {
        return None;
    }
    format!("{whole}{fraction:0<2}").parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_name_is_its_own_material() {
        let read: BTreeSet<String> = Material::NAMED.iter().map(|(name, _)| format!("{:?}", name.parse::<Material>().unwrap())).collect();
        assert_eq!(read.len(), Material::NAMED.len());
        assert_eq!("Die cast A380".parse(), Ok(Material::DieCastA380));
        assert_eq!("steel1020".parse(), Ok(Material::Steel1020));
    }

    #[test]
    fn a_coefficient_comes_with_its_source() {
        let stated = |hundredths, source: &str| Ok(Material::Stated { hundredths, source: source.into() });
        assert_eq!("21.5: sheet 2: table".parse(), stated(2150, "sheet 2: table"));
        assert_eq!("21,55".parse(), stated(2155, ""));
        assert_eq!("21".parse(), stated(2100, ""));
        // Of any size that is written in four figures; whether it can be is asked elsewhere.
        assert_eq!("1234.5".parse(), stated(123_450, ""));
        for bad in ["", "wood", "stated", "21.555: sheet", "-3: sheet", ": sheet", "-", "1-", "12345"] {
            let error = bad.parse::<Material>().unwrap_err();
            assert!(error.to_string().contains("is no material: write steel-1020, "), "{bad}");
        }
    }
}
