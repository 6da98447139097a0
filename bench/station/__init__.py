"""What the user wrote: station files, their model, image layout and mistakes."""

from bench.station.document import Document, read_document, validate
from bench.station.image import Layout, PointPlace
from bench.station.load import LoadedStation, load_station, station_schema
from bench.station.model import Station

__all__ = [
    "Document",
    "Layout",
    "LoadedStation",
    "PointPlace",
    "Station",
    "load_station",
    "read_document",
    "station_schema",
    "validate",
]
