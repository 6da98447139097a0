"""What the user wrote: station files, their model, image layout and mistakes."""

from bench.station.bench_file import BenchFile, address_fault, is_bench_file, read_bench_file
from bench.station.document import Document, read_document, validate
from bench.station.image import Layout, PointPlace
from bench.station.load import LoadedStation, load_station, station_schema
from bench.station.model import Station

__all__ = [
    "BenchFile",
    "Document",
    "Layout",
    "LoadedStation",
    "PointPlace",
    "Station",
    "address_fault",
    "is_bench_file",
    "load_station",
    "read_bench_file",
    "read_document",
    "station_schema",
    "validate",
]
