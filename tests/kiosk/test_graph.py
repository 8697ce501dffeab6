"""A network from the package gives in the pose library what its operators say: small ones, against plain numbers and OpenCV."""
from __future__ import annotations

import base64
import json

import cv2
import numpy as np
import pytest

from kiosk import graph, models
from kiosk.faults import Fault

RIM = 255.0    # the pictures' numbers are handed to the network in 0..1


class Network:
    """A small network as the package keeps it: a list of operators and the weights that they name."""

    def __init__(self, height: int, width: int) -> None:
        axes = [{"size": str(length)} for length in (1, height, width, 3)]
        self.nodes = [{"name": "picture", "op": "Placeholder", "attr": {"shape": {"shape": {"dim": axes}}}}]
        self.weights: list[dict] = []
        self.data = b""

    def knows(self, name: str, numbers, kind=np.float32) -> str:
        """Half floats stand for floats, as in the package."""
        numbers = np.asarray(numbers, kind)
        told = {"name": name, "shape": list(numbers.shape), "dtype": {np.float16: "float32"}.get(kind, numbers.dtype.name)}
        self.weights.append(told | ({"quantization": {"dtype": "float16"}} if kind is np.float16 else {}))
        self.data += numbers.tobytes()
        self.nodes.append({"name": name, "op": "Const"})
        return name

    def does(self, kind: str, name: str, *inputs: str, **told) -> str:
        self.nodes.append({"name": name, "op": kind, "input": list(inputs), "attr": told})
        return name

    def convolves(self, name: str, picture: str, kernel, *fused: str, kind: str = "_FusedConv2D", stride: int = 1,
                  padding: str = "SAME", bias=None) -> str:
        inputs = [picture, self.knows(f"{name}/kernel", kernel)] + ([] if bias is None else [self.knows(f"{name}/bias", bias)])
        return self.does(kind, name, *inputs, padding={"s": word(padding)}, fused_ops={"list": {"s": [word(step) for step in fused]}},
                         strides={"list": {"i": ["1", str(stride), str(stride), "1"]}})

    def blend(self, name: str, picture: str, weights) -> str:
        """Each pixel's three numbers mixed by (3, out) weights: what a convolution must be there for, and changes little."""
        return self.convolves(name, picture, np.asarray(weights)[None, None])

    def whole(self, name: str, numbers) -> str:
        return self.knows(name, numbers, np.int32)

    def kept(self, output: str) -> tuple[bytes, bytes]:
        """The two files."""
        told = {"modelTopology": {"node": self.nodes}, "weightsManifest": [{"weights": self.weights}],
                "signature": {"outputs": {f"{output}:0": {}}}}
        return json.dumps(told).encode(), self.data

    def gives(self, output: str, rgb: np.ndarray) -> np.ndarray:
        """What the pose library computes for a picture, as one row of numbers."""
        import mediapipe
        from mediapipe.tasks.python import BaseOptions, vision
        model = models.with_normalisation(graph.tflite(*self.kept(output)), 0.0, RIM)
        options = vision.ImageEmbedderOptions(base_options=BaseOptions(model_asset_buffer=model))
        with vision.ImageEmbedder.create_from_options(options) as embedder:
            picture = mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=rgb)
            return np.asarray(embedder.embed(picture).embeddings[0].embedding)


def word(text: str) -> str:
    return base64.b64encode(text.encode()).decode()


def picture(height: int, width: int) -> np.ndarray:
    return np.random.default_rng(7).integers(0, 256, (height, width, 3), np.uint8)


def convolved(values: np.ndarray, kernel: np.ndarray, stride: int, padding: str) -> np.ndarray:
    """Plainly: (rows, columns, in) and (rows, columns, in, out) to (rows, columns, out)."""
    size, lengths = kernel.shape[:2], values.shape[:2]
    if padding == "SAME":     # as much as is wanted, the odd one behind
        wanted = [max((-(-n // stride) - 1) * stride + k - n, 0) for n, k in zip(lengths, size)]
        values = np.pad(values, [*((more // 2, more - more // 2) for more in wanted), (0, 0)])
    rows, columns = ((n - k) // stride + 1 for n, k in zip(values.shape, size))
    return np.array([[np.einsum("rci,rcio->o", values[r * stride:r * stride + size[0], c * stride:c * stride + size[1]], kernel)
                      for c in range(columns)] for r in range(rows)])


@pytest.mark.parametrize("last, within", [((), (-np.inf, np.inf)), (("Relu",), (0, np.inf)), (("Relu6",), (0, 6))])
@pytest.mark.parametrize("stride, padding", [(1, "SAME"), (2, "SAME"), (1, "VALID"), (2, "VALID")])
def test_a_convolution_with_what_is_fused_to_it(stride, padding, last, within):
    rng, rgb, network = np.random.default_rng(1), picture(8, 7), Network(8, 7)
    kernel, bias = rng.normal(0, 2, (3, 3, 3, 5)), rng.normal(0, 2, 5)
    network.convolves("out", "picture", kernel, "BiasAdd", *last, stride=stride, padding=padding, bias=bias)
    wanted = np.clip(convolved(rgb / RIM, kernel, stride, padding) + bias, *within)
    assert {-np.inf: wanted.min() < 0, 0: wanted.min() == 0}[within[0]] and (within[1] == np.inf or wanted.max() == within[1])
    np.testing.assert_allclose(network.gives("out", rgb), wanted.ravel(), atol=1e-4)


@pytest.mark.parametrize("each", [1, 2])
@pytest.mark.parametrize("kind", ["DepthwiseConv2dNative", "FusedDepthwiseConv2dNative"])
def test_a_convolution_of_each_channel_for_itself(kind, each):
    rng, rgb, network = np.random.default_rng(2), picture(6, 8), Network(6, 8)
    kernel, bias = rng.normal(0, 1, (3, 3, 3, each)), rng.normal(0, 1, 3 * each)
    fused = {"bias": bias} if kind.startswith("Fused") else {}
    network.convolves("out", "picture", kernel, *(["BiasAdd"] if fused else []), kind=kind, **fused)
    alone = [convolved(rgb[:, :, i:i + 1] / RIM, kernel[:, :, i:i + 1], 1, "SAME") for i in range(3)]
    np.testing.assert_allclose(network.gives("out", rgb), (np.concatenate(alone, 2) + (bias if fused else 0)).ravel(), atol=1e-4)


def test_a_convolution_agrees_with_opencv_s():
    rgb, network = picture(9, 9), Network(9, 9)
    kernel = np.random.default_rng(3).normal(0, 1, (3, 3))
    network.convolves("out", "picture", np.repeat(kernel[:, :, None, None], 3, 2), kind="DepthwiseConv2dNative")
    wanted = cv2.filter2D(rgb / RIM, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    np.testing.assert_allclose(network.gives("out", rgb), wanted.ravel(), atol=1e-4)


def test_a_picture_is_made_larger_between_the_middles_of_its_pixels():
    rgb, network = picture(5, 6), Network(5, 6)
    network.blend("all", "picture", np.eye(3))
    network.does("ResizeBilinear", "out", "all", network.whole("size", [10, 12]), half_pixel_centers={"b": True})
    wanted = cv2.resize(rgb / RIM, (12, 10), interpolation=cv2.INTER_LINEAR)
    np.testing.assert_allclose(network.gives("out", rgb), wanted.ravel(), atol=1e-5)


def test_the_place_of_the_most_is_found_and_what_stands_there_is_picked():
    """Row and column of the lightest pixel, then its three numbers."""
    rgb, network = picture(5, 7), Network(5, 7)
    row, column = 3, 4
    rgb[row, column] = 250, 251, 252
    network.blend("all", "picture", np.eye(3))
    network.does("Reshape", "list", network.blend("light", "all", np.ones((3, 1))), network.whole("shape", [1, -1]))
    network.does("ArgMax", "most", "list", network.whole("axis", 1), output_type={"type": "DT_INT32"})
    width = network.whole("width", 7)
    network.does("FloorDiv", "row", "most", width)
    network.does("Sub", "column", "most", network.does("Mul", "before", "row", width))
    network.does("Pack", "place", network.whole("first", [0]), "row", "column", axis={"i": "1"})
    network.does("GatherNd", "pixel", "all", "place")
    floats = [network.does("Cast", f"{name}, a float", name, SrcT={"type": "DT_INT32"}, DstT={"type": "DT_FLOAT"})
              for name in ("row", "column")]
    last = network.whole("last", -1)
    network.does("ConcatV2", "all told", *(network.does("ExpandDims", f"{name}, long", name, last) for name in floats), "pixel",
                 network.whole("along", 1))
    network.does("Identity", "out", "all told")
    np.testing.assert_allclose(network.gives("out", rgb), [row, column, *(rgb[row, column] / RIM)], atol=1e-5)


def test_arithmetic_number_by_number():
    rgb, network = picture(4, 4), Network(4, 4)
    network.does("Unpack", "part", network.blend("all", "picture", np.eye(3)), axis={"i": "3"}, num={"i": "3"})
    network.does("SquaredDifference", "square", "part:0", "part:1")
    network.does("AddV2", "more", "part:2", network.knows("one", 1.0))
    network.does("RealDiv", "share", network.does("Sqrt", "root", "square"), "more")
    network.does("Reshape", "out", network.does("Sigmoid", "curve", "share"), network.whole("shape", [1, 16]))
    a, b, c = (rgb[:, :, i] / RIM for i in range(3))
    np.testing.assert_allclose(network.gives("out", rgb), (1 / (1 + np.exp(-abs(a - b) / (c + 1)))).ravel(), atol=1e-5)


def test_half_floats_stand_for_floats_and_what_comes_before_the_first_convolution_is_left_out():
    rgb, network = picture(4, 5), Network(4, 5)
    network.does("AnOperatorOfNoName", "scaled", "picture")
    third = np.float16(1 / 3)
    network.does("Mul", "out", network.blend("all", "scaled", np.eye(3)), network.knows("third", third, np.float16))
    np.testing.assert_allclose(network.gives("out", rgb), (rgb / RIM * float(third)).ravel(), atol=1e-6)


def refused(network: Network, output: str = "out", data: bytes | None = None) -> str:
    topology, weights = network.kept(output)
    with pytest.raises(Fault) as told:
        graph.tflite(topology, weights if data is None else data)
    return told.value.found


@pytest.fixture
def network():
    made = Network(4, 4)
    made.blend("all", "picture", np.eye(3))
    return made


def test_an_unknown_operator_is_refused(network):
    network.does("Softmax", "out", "all")
    assert "'Softmax'" in refused(network)


@pytest.mark.parametrize("told", [{"padding": "EXPLICIT"}, {"fused": ("BiasAdd", "Elu")}])
def test_an_unknown_way_of_convolving_is_refused(network, told):
    network.convolves("out", "all", np.ones((1, 1, 3, 1)), *told.pop("fused", ()), bias=[0.0], **told)
    assert "EXPLICIT" in refused(network) or "Elu" in refused(network)


@pytest.mark.parametrize("kind", [np.uint8, np.float64])
def test_unknown_numbers_are_refused(network, kind):
    network.does("Mul", "out", "all", network.knows("odd", 1, kind))
    assert np.dtype(kind).name in refused(network)


def test_a_place_told_in_another_type_is_refused(network):
    network.does("ArgMax", "out", "all", network.whole("axis", 3), output_type={"type": "DT_INT64"})
    assert "DT_INT64" in refused(network)


def test_what_is_wanted_before_it_is_there_is_refused(network):
    network.does("Sqrt", "out", "later")
    assert "'later'" in refused(network)


def test_a_list_without_a_convolution_is_refused():
    network = Network(4, 4)
    network.does("Sqrt", "out", "picture")
    assert "convolution" in refused(network)


@pytest.mark.parametrize("harm", [lambda data: data[:-1], lambda data: data + b"\0"])
def test_weights_of_another_length_than_is_told_are_refused(network, harm):
    assert "weights" in refused(network, "all", harm(network.kept("all")[1]))
