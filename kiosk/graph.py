"""Graph: a network as TensorFlow's JavaScript runtime keeps it, a list of named operators and a file of half-float weights, as the bytes
of a model that the pose library loads.

Every operator becomes one of the other kind, in the order of the list, and weights become the floats that are computed with. What
stands before the first convolution only scales the picture and is left out: the pose library does that, as the metadata says that
kiosk/models.py adds. Shapes are told for every value, though the library could find them out: without them it leaves its fast
kernels alone and takes 41 ms a look in the place of 14 (measured).

This is no converter for any network: what TRANSLATIONS does not name is refused, and nothing is looked up, loaded or run here.
"""
from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from functools import partial
from typing import Callable, Sequence

import numpy as np

from kiosk.faults import Fault

Shape = tuple[int, ...]
FLOAT, WHOLE = np.dtype(np.float32), np.dtype(np.int32)
TYPES = {"float32": FLOAT, "int32": WHOLE, "DT_FLOAT": FLOAT, "DT_INT32": WHOLE}
ACTIVATIONS = {(): "NONE", ("Relu",): "RELU", ("Relu6",): "RELU6"}
LAST_OLD_CODE = 127       # of the format's older field for the operator: from there on only the newer one tells
FILE_ID = b"TFL3"


def tflite(topology: bytes, weights: bytes) -> bytes:
    """The network whose operators are in `topology` (JSON) and whose weights are in `weights`; Fault where it holds anything unknown.

    It takes a (1, height, width, 3) float32 picture as the first convolution does and gives what the network gives.
    """
    told = json.loads(topology)
    nodes = [Node.of(node) for node in told["modelTopology"]["node"]]
    model = Model(_weights(told["weightsManifest"], weights))
    working = [node for node in nodes if node.kind not in ("Const", "Placeholder")]
    first = next((at for at, node in enumerate(working) if node.kind in CONVOLUTIONS), None)
    picture = next((node for node in nodes if node.kind == "Placeholder"), None)
    if first is None or picture is None:
        raise _unknown("a network without a picture and a convolution")
    model.takes(working[first].inputs[0], picture.shape())
    for node in working[first:]:
        if node.kind not in TRANSLATIONS:
            raise _unknown(f"the operator {node.kind!r}")
        TRANSLATIONS[node.kind](model, node)
    return model.packed([_plain(name) for name in told["signature"]["outputs"]])


@dataclass(frozen=True, slots=True)
class Node:
    """One operator of the list. inputs: names of values, `name:1` for the second of several that one operator gives."""

    name: str
    kind: str
    inputs: tuple[str, ...]
    told: dict

    @classmethod
    def of(cls, node: dict) -> Node:
        return cls(node["name"], node["op"], tuple(_plain(name) for name in node.get("input", ())), node.get("attr", {}))

    def word(self, key: str) -> str:
        return base64.b64decode(self.told[key]["s"]).decode()

    def words(self, key: str) -> tuple[str, ...]:
        return tuple(base64.b64decode(word).decode() for word in self.told.get(key, {}).get("list", {}).get("s", ()))

    def number(self, key: str) -> int:
        return int(self.told[key].get("i", 0))

    def rows_and_columns(self, key: str) -> tuple[int, int]:
        """Of four numbers, one for each axis of a stack of pictures; ones where nothing is told."""
        _, rows, columns, _ = (int(number) for number in self.told.get(key, {}).get("list", {}).get("i", (1, 1, 1, 1)))
        return rows, columns

    def flag(self, key: str) -> bool:
        return bool(self.told.get(key, {}).get("b", False))

    def type(self, key: str) -> np.dtype:
        return _type(self.told[key]["type"])

    def shape(self) -> Shape:
        return tuple(int(axis["size"]) for axis in self.told["shape"]["shape"]["dim"])


@dataclass(frozen=True, slots=True)
class Value:
    """What goes from operator to operator: its number in the model, its shape and its type."""

    number: int
    shape: Shape
    type: np.dtype


class Model:
    """The model as it grows, operator by operator; `weights`: what the network knows by name."""

    def __init__(self, weights: dict[str, np.ndarray]) -> None:
        from mediapipe.tasks.metadata import schema_py_generated as schema
        self.schema, self._weights = schema, weights
        self._values: dict[str, Value] = {}
        self._codes: dict[str, int] = {}
        self._graph, self._model = schema.SubGraphT(), schema.ModelT()
        self._graph.tensors, self._graph.operators = [], []
        self._model.version, self._model.operatorCodes, self._model.subgraphs = 3, [], [self._graph]
        self._model.buffers = [schema.BufferT()]      # the format wants the first one empty: the buffer of all that is computed

    def takes(self, name: str, shape: Shape) -> None:
        """The picture is the value of this name."""
        self._graph.inputs = [self.gives(name, shape, FLOAT).number]

    def gives(self, name: str, shape: Sequence[int], kind: np.dtype) -> Value:
        """A value that is computed, known by its name from here on."""
        self._values[name] = self._new(name, shape, kind)
        return self._values[name]

    def known(self, name: str, numbers: np.ndarray) -> Value:
        """A value that is there from the start."""
        value = self._new(name, numbers.shape, numbers.dtype)
        buffer = self.schema.BufferT()
        buffer.data = np.frombuffer(numbers.tobytes(), np.uint8)
        self._model.buffers.append(buffer)
        self._graph.tensors[value.number].buffer = len(self._model.buffers) - 1
        return value

    def same(self, name: str, other: str) -> None:
        """Another name for a value."""
        self._values[name] = self.value(other)

    def value(self, name: str) -> Value:
        if name not in self._values:
            self._values[name] = self.known(name, self.numbers(name))
        return self._values[name]

    def numbers(self, name: str) -> np.ndarray:
        """What is known by this name before anything is computed."""
        if name not in self._weights:
            raise _unknown(f"{name!r}, wanted before it is there")
        return self._weights[name]

    def add(self, code: str, inputs: Sequence[Value], outputs: Sequence[Value], version: int = 1, **options) -> None:
        """One operator, by its name in the format."""
        operator = self.schema.OperatorT()
        operator.opcodeIndex = self._code(code, version)
        operator.inputs, operator.outputs = [v.number for v in inputs], [v.number for v in outputs]
        of_options = code.title().replace("_", "") + "Options"
        if hasattr(self.schema, f"{of_options}T"):      # the plainest operators have none
            operator.builtinOptionsType = getattr(self.schema.BuiltinOptions, of_options)
            operator.builtinOptions = getattr(self.schema, f"{of_options}T")()
            for key, told in options.items():
                setattr(operator.builtinOptions, key, told)
        self._graph.operators.append(operator)

    def packed(self, outputs: Sequence[str]) -> bytes:
        import flatbuffers
        self._graph.outputs = [self.value(name).number for name in outputs]
        builder = flatbuffers.Builder(65536 + 4 * sum(numbers.size for numbers in self._weights.values()))
        builder.Finish(self._model.Pack(builder), FILE_ID)
        return bytes(builder.Output())

    def _new(self, name: str, shape: Sequence[int], kind: np.dtype) -> Value:
        tensor = self.schema.TensorT()
        tensor.name, tensor.shape, tensor.buffer = name, [int(length) for length in shape], 0
        tensor.type = {FLOAT: self.schema.TensorType.FLOAT32, WHOLE: self.schema.TensorType.INT32}[kind]
        self._graph.tensors.append(tensor)
        return Value(len(self._graph.tensors) - 1, tuple(tensor.shape), kind)

    def _code(self, code: str, version: int) -> int:
        if code not in self._codes:
            entry = self.schema.OperatorCodeT()
            entry.builtinCode, entry.version = getattr(self.schema.BuiltinOperator, code), version
            entry.deprecatedBuiltinCode = min(entry.builtinCode, LAST_OLD_CODE)
            self._codes[code] = len(self._model.operatorCodes)
            self._model.operatorCodes.append(entry)
        return self._codes[code]


def _convolution(model: Model, node: Node) -> None:
    numbers = model.numbers(node.inputs[1])                     # (rows, columns, in, out); (out, rows, columns, in) here
    _convolved(model, node, "CONV_2D", numbers.transpose(3, 0, 1, 2), numbers.shape[3])


def _depthwise(model: Model, node: Node) -> None:
    numbers = model.numbers(node.inputs[1])                     # (rows, columns, in, out for each in); (1, rows, columns, out) here
    rows, columns, channels, each = numbers.shape
    _convolved(model, node, "DEPTHWISE_CONV_2D", numbers.reshape(1, rows, columns, channels * each), channels * each,
               depthMultiplier=each)


def _convolved(model: Model, node: Node, code: str, kernel: np.ndarray, channels: int, **options) -> None:
    """A convolution with all that is fused to it; `kernel`: (., rows, columns, .)."""
    picture, padding, fused = model.value(node.inputs[0]), node.word("padding"), node.words("fused_ops")
    activation = ACTIVATIONS.get(tuple(step for step in fused if step != "BiasAdd"))
    if padding not in ("SAME", "VALID") or activation is None:
        raise _unknown(f"a convolution with the padding {padding!r}, then {' and '.join(fused) or 'nothing'}")
    bias = model.numbers(node.inputs[2]) if "BiasAdd" in fused else np.zeros(channels, FLOAT)
    strides, spread = node.rows_and_columns("strides"), node.rows_and_columns("dilations")
    reach = [0, 0] if padding == "SAME" else [(size - 1) * apart for size, apart in zip(kernel.shape[1:3], spread)]
    lengths = [-(-(length - more) // stride) for length, more, stride in zip(picture.shape[1:3], reach, strides)]
    model.add(code, [picture, model.known(f"{node.name}/kernel", kernel), model.known(f"{node.name}/bias", bias)],
              [model.gives(node.name, (picture.shape[0], *lengths, channels), FLOAT)],
              strideH=strides[0], strideW=strides[1], dilationHFactor=spread[0], dilationWFactor=spread[1],
              padding=getattr(model.schema.Padding, padding),
              fusedActivationFunction=getattr(model.schema.ActivationFunctionType, activation), **options)


def _each(code: str, model: Model, node: Node) -> None:
    """Number by number, of one value or of two of which the smaller is repeated."""
    inputs = [model.value(name) for name in node.inputs]
    shape = np.broadcast_shapes(*(value.shape for value in inputs))
    model.add(code, inputs, [model.gives(node.name, shape, inputs[0].type)])


def _resized(model: Model, node: Node) -> None:
    picture, size = model.value(node.inputs[0]), model.numbers(node.inputs[1])
    output = model.gives(node.name, (picture.shape[0], *size, picture.shape[3]), FLOAT)
    model.add("RESIZE_BILINEAR", [picture, model.value(node.inputs[1])], [output], version=3,      # 3: the first with half pixels
              alignCorners=node.flag("align_corners"), halfPixelCenters=node.flag("half_pixel_centers"))


def _reshaped(model: Model, node: Node) -> None:
    value = model.value(node.inputs[0])
    shape = np.empty(value.shape, np.bool_).reshape(model.numbers(node.inputs[1])).shape        # where -1 is told, it is the rest
    model.add("RESHAPE", [value, model.known(f"{node.name}/shape", np.array(shape, WHOLE))],
              [model.gives(node.name, shape, value.type)], newShape=list(shape))


def _expanded(model: Model, node: Node) -> None:
    value, axis = model.value(node.inputs[0]), model.numbers(node.inputs[1]).item()
    model.add("EXPAND_DIMS", [value, model.value(node.inputs[1])], [model.gives(node.name, _longer(value.shape, axis, 1), value.type)])


def _place_of_most(model: Model, node: Node) -> None:
    value, axis, kind = model.value(node.inputs[0]), model.numbers(node.inputs[1]).item(), node.type("output_type")
    if kind != WHOLE:
        raise _unknown(f"a place told as {kind}")
    output = model.gives(node.name, _without(value.shape, axis), WHOLE)
    model.add("ARG_MAX", [value, model.value(node.inputs[1])], [output], outputType=model.schema.TensorType.INT32)


def _cast(model: Model, node: Node) -> None:
    value = model.value(node.inputs[0])
    model.add("CAST", [value], [model.gives(node.name, value.shape, node.type("DstT"))])


def _stacked(model: Model, node: Node) -> None:
    values, axis = [model.value(name) for name in node.inputs], node.number("axis")
    output = model.gives(node.name, _longer(values[0].shape, axis, len(values)), values[0].type)
    model.add("PACK", values, [output], axis=axis, valuesCount=len(values))


def _taken_apart(model: Model, node: Node) -> None:
    value, axis = model.value(node.inputs[0]), node.number("axis")
    count = value.shape[axis]
    names = [node.name, *(f"{node.name}:{n}" for n in range(1, count))]
    outputs = [model.gives(name, _without(value.shape, axis), value.type) for name in names]
    model.add("UNPACK", [value], outputs, axis=axis, num=count)


def _picked(model: Model, node: Node) -> None:
    """From the first value, what the last axis of the second says."""
    value, places = (model.value(name) for name in node.inputs)
    shape = places.shape[:-1] + value.shape[places.shape[-1]:]
    model.add("GATHER_ND", [value, places], [model.gives(node.name, shape, value.type)])


def _joined(model: Model, node: Node) -> None:
    values, axis = [model.value(name) for name in node.inputs[:-1]], model.numbers(node.inputs[-1]).item()
    shape = list(values[0].shape)
    shape[axis] = sum(value.shape[axis] for value in values)
    model.add("CONCATENATION", values, [model.gives(node.name, shape, values[0].type)], axis=axis)


def _renamed(model: Model, node: Node) -> None:
    model.same(node.name, node.inputs[0])


CONVOLUTIONS: dict[str, Callable[[Model, Node], None]] = {
    "_FusedConv2D": _convolution, "FusedDepthwiseConv2dNative": _depthwise, "DepthwiseConv2dNative": _depthwise,
}
TRANSLATIONS: dict[str, Callable[[Model, Node], None]] = CONVOLUTIONS | {
    "AddV2": partial(_each, "ADD"), "Sub": partial(_each, "SUB"), "Mul": partial(_each, "MUL"), "RealDiv": partial(_each, "DIV"),
    "FloorDiv": partial(_each, "FLOOR_DIV"), "SquaredDifference": partial(_each, "SQUARED_DIFFERENCE"),
    "Sigmoid": partial(_each, "LOGISTIC"), "Sqrt": partial(_each, "SQRT"), "Cast": _cast, "Identity": _renamed,
    "ResizeBilinear": _resized, "Reshape": _reshaped, "ExpandDims": _expanded, "Pack": _stacked, "Unpack": _taken_apart,
    "ConcatV2": _joined, "ArgMax": _place_of_most, "GatherNd": _picked,
}


def _weights(manifest: list[dict], data: bytes) -> dict[str, np.ndarray]:
    """By name; half floats as the floats that they stand for."""
    found, at = {}, 0
    for told in (weight for group in manifest for weight in group["weights"]):
        kind, kept = _type(told["dtype"]), told.get("quantization", {}).get("dtype", told["dtype"])
        stored = np.dtype(np.float16) if kept == "float16" else _type(kept)
        count = int(np.prod(told["shape"]))
        end = at + count * stored.itemsize
        if end > len(data):
            raise _unknown("weights that end too early")
        found[told["name"]] = np.frombuffer(data[at:end], stored).astype(kind).reshape(told["shape"])
        at = end
    if at != len(data):
        raise _unknown("more weights than are named")
    return found


def _type(name: str) -> np.dtype:
    if name not in TYPES:
        raise _unknown(f"numbers of the type {name!r}")
    return TYPES[name]


def _longer(shape: Shape, axis: int, length: int) -> Shape:
    """With one axis more, which is then number `axis`; negative ones are counted from behind."""
    at = axis % (len(shape) + 1)
    return shape[:at] + (length,) + shape[at:]


def _without(shape: Shape, axis: int) -> Shape:
    at = axis % len(shape)
    return shape[:at] + shape[at + 1:]


def _plain(name: str) -> str:
    """The first value of an operator goes by the operator's name."""
    return name.removesuffix(":0")


def _unknown(found: str) -> Fault:
    return Fault("a network that the pose library can load", found, "the package holds another one than this program knows: report it")
