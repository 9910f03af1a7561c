"""The messages of Sparkplug B, as far as readings need them: a schema of our own with the standard's field numbers.

The descriptors are built here, in a pool of their own. Generated code would be tied to one release of its generator, and a
public pool to whatever else in the process knows a message of the same name. Names, texts and what is never looked into
(DataSets, templates, files) are plain bytes here: the encoding on the wire is the same, nothing in them is parsed or
decoded before it is asked for, and whatever is no field of ours is skipped.

Source of names and numbers: Eclipse Sparkplug Specification 3.0.0, section 6.4 (payload definition, Google protocol buffers).
"""

from typing import Any, Final

from monitor.errors import UserError

try:
    from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
    from google.protobuf.message import DecodeError as DecodeError
except ImportError:
    raise UserError(
        'Sparkplug needs the package protobuf, which is not installed: pip install "stopmark[sparkplug]"'
    ) from None

_Field: Final[Any] = descriptor_pb2.FieldDescriptorProto
_PACKAGE: Final = "stopmark.sparkplug"
_FIELDS: Final[dict[str, tuple[tuple[str, int, str], ...]]] = {
    "Payload": (("timestamp", 1, "uint64"), ("metrics", 2, "Metric*"), ("seq", 3, "uint64"), ("uuid", 4, "bytes")),
    "Metric": (
        ("name", 1, "bytes"),
        ("alias", 2, "uint64"),
        ("timestamp", 3, "uint64"),
        ("datatype", 4, "uint32"),
        ("is_historical", 5, "bool"),
        ("is_transient", 6, "bool"),
        ("is_null", 7, "bool"),
        ("properties", 9, "bytes"),
        ("int_value", 10, "uint32"),
        ("long_value", 11, "uint64"),
        ("float_value", 12, "float"),
        ("double_value", 13, "double"),
        ("boolean_value", 14, "bool"),
        ("string_value", 15, "bytes"),
        ("bytes_value", 16, "bytes"),
        ("dataset_value", 17, "bytes"),
        ("template_value", 18, "bytes"),
        ("extension_value", 19, "bytes"),
    ),
    "PropertySet": (("keys", 1, "bytes*"), ("values", 2, "PropertyValue*")),
    "PropertyValue": (("is_null", 2, "bool"), ("int_value", 3, "uint32"), ("long_value", 4, "uint64")),
}
"""Name, number and type of the fields of each message; a star: any number of them. Fields `*_value` of one message are
alternatives."""


def _field(name: str, number: int, kind: str) -> Any:
    several, kind = kind.endswith("*"), kind.rstrip("*")
    field = _Field(name=name, number=number)
    field.label = _Field.LABEL_REPEATED if several else _Field.LABEL_OPTIONAL
    if kind in _FIELDS:
        field.type, field.type_name = _Field.TYPE_MESSAGE, f".{_PACKAGE}.{kind}"
    else:
        field.type = getattr(_Field, f"TYPE_{kind.upper()}")
    if name.endswith("_value"):
        field.oneof_index = 0
    return field


def _classes() -> dict[str, Any]:
    file = descriptor_pb2.FileDescriptorProto(name="stopmark/sparkplug.proto", package=_PACKAGE, syntax="proto2")
    for message, fields in _FIELDS.items():
        made = file.message_type.add(name=message)
        made.field.extend(_field(*field) for field in fields)
        if any(field.HasField("oneof_index") for field in made.field):
            made.oneof_decl.add(name="value")
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return {name: message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.{name}")) for name in _FIELDS}


_CLASSES: Final = _classes()
Payload: Final[Any] = _CLASSES["Payload"]
"""One message of a node: `timestamp` (ms since 1970), `seq`, `metrics`."""
PropertySet: Final[Any] = _CLASSES["PropertySet"]
"""Properties of a metric: `keys` and, in the same order, `values`."""
