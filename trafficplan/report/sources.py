"""Where the physics, the rules and the drawing come from, as told at the end of every report."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Source:
    """One source.

    Attributes
    ----------
    what : what it is used for
    cite : authors, year, title or journal
    standing : "published" (seen in print or in several public transcriptions), "memory" (from memory
        of the literature, the print not at hand), "ours" (our own choice, fitted or set)
    """

    what: str
    cite: str
    standing: str


SOURCES: tuple[Source, ...] = (
    Source("stress beneath a point load", "Boussinesq 1885; Froehlich 1934, concentration factor", "published"),
    Source(
        "stress beneath a wheel: small loads summed over the contact",
        "Soehne 1953, Grundlagen der Landtechnik 5:49; 1958, Agricultural Engineering 39:276",
        "published",
    ),
    Source("concentration factors 4, 5, 6 for dry, moist, wet soil", "Soehne 1953", "memory"),
    Source(
        "contact area on soft and on rigid ground, coefficients",
        "O'Sullivan, Henshall and Dickson 1999, Soil and Tillage Research 49:325",
        "memory",
    ),
    Source(
        "contact area between the soft form and load over pressure",
        "blend fitted to measurements at about 6 t wheel load",
        "ours",
    ),
    Source("peak contact stress over inflation pressure", "Arvidsson and Keller 2007", "published"),
    Source(
        "strength of soil by texture and moisture",
        "ranges of the literature, after Arvidsson and Keller 2004; Schjoenning and Lamande 2018",
        "memory",
    ),
    Source(
        "how uncertain strength is",
        "Cavalieri et al. 2008; Schjoenning et al. 2023, Advances in Agronomy",
        "published",
    ),
    Source("five steps of the stress ratio and the words for chances", "set for this program", "ours"),
    Source(
        "depth of the 50 kPa line as a yardstick",
        "Schjoenning et al. 2012, Soil Use and Management 28:378",
        "memory",
    ),
    Source(
        "share of the first pass, 0.70 to 0.85",
        "Virginia Cooperative Extension BSE-374; extension of the universities of Wisconsin and Nebraska",
        "published",
    ),
    Source("lasting damage below 40 cm", "Hakansson and Reeder 1994", "published"),
    Source(
        "traffic intensity, t km/ha",
        "Arvidsson and Hakansson 1991, Soil and Tillage Research 20:319",
        "memory",
    ),
    Source(
        "water held by soil",
        "Saxton and Rawls 2006, Soil Science Society of America Journal 70:1569; Woesten et al. 1999, Geoderma 90:169",
        "published",
    ),
    Source(
        "reference evapotranspiration and water balance",
        "Allen et al. 1998, FAO Irrigation and Drainage Paper 56",
        "published",
    ),
    Source(
        "drawing of the map",
        "Leaflet 1.9.3, BSD 2-Clause licence, its notice stands in the script that this file carries; "
        "folium, MIT licence",
        "published",
    ),
    Source(
        "colours",
        "matplotlib colour maps viridis, cividis, magma and PuOr, made for people with and without colour blindness",
        "published",
    ),
)
