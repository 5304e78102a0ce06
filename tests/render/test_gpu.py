"""The graphics kernel against the definition, on a software adapter (Debian: mesa-vulkan-drivers)."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.records import Curve, Oval, Point, Pose
from partsong.media.planes import Planes
from partsong.render import gpu, pixels
from partsong.render.merge import Form, Merger, stack_weights
from partsong.render.plan import Layer, Stack


def adapters() -> list[str]:
    wgpu = pytest.importorskip("wgpu", reason="wgpu is not installed: pip install 'partsong[gpu]'")
    return [one.info["adapter_type"] for one in wgpu.gpu.enumerate_adapters_sync()]


@pytest.fixture(scope="module", autouse=True)
def software_adapter() -> None:
    if "CPU" not in adapters():
        pytest.skip("there is no software Vulkan adapter; on Debian: apt-get install mesa-vulkan-drivers")


CODE = np.linspace(0, 1, 4096)
CURVE = np.where(  # Academy S-2016-001, ACEScct
    CODE > 0.155251141552511, 2 ** (CODE * 17.52 - 9.72), (CODE - 0.0729055341958355) / 10.5402377416545
)


def layer_planes(rng: np.random.Generator, width: int, height: int, form: Form) -> Planes:
    across, down = pixels.colour_steps(form.chroma)
    kind = np.uint8 if form.bit_depth == 8 else np.uint16
    top = (1 << form.bit_depth) - 1
    small = (-(-height // down), -(-width // across))
    y = rng.integers(0, top + 1, (height, width))
    u, v = (rng.integers(top // 4, 3 * top // 4, small) for _ in range(2))
    return Planes(y.astype(kind), u.astype(kind), v.astype(kind), form.bit_depth, form.matrix, form.value_range)


def stack(width: int, height: int) -> Stack:
    points = tuple(Point(x=x, y=y) for x, y in ((30, 4), (44, 10), (40, 28), (26, 24)))
    return Stack(
        width=width,
        height=height,
        layers=(
            Layer(take="a"),
            Layer(take="b", shape=Oval(x=18, y=14, rx=12, ry=9, rotation_deg=20), feather_px=9),
            Layer(take="c", shape=Curve(points=points), feather_px=6, gain=(1.3, 1.0, 0.8)),
        ),
    )


@pytest.mark.parametrize("form", [
    Form(10, "422", "bt709", "limited"),
    Form(10, "420", "bt2020nc", "full"),
    Form(8, "444", "bt601", "full"),
    Form(8, "420", "bt709", "limited"),
])  # fmt: skip
@pytest.mark.parametrize(("width", "height"), [(48, 32), (47, 31)])
def test_it_lies_within_one_code_of_the_definition(form, width, height):
    rng = np.random.default_rng(3)
    drawn = stack(width, height)
    layers = [layer_planes(rng, width, height, form) for _ in drawn.layers]
    poses = [Pose(), Pose(dx_px=2, dy_px=-1), Pose(dx_px=-3)]
    got = gpu.GpuMerger(drawn, CURVE, form, software=True).merge(layers, poses)
    wanted = pixels.merged(
        layers,
        stack_weights(drawn, range(height)),
        CURVE,
        shifts=[(round(pose.dx_px), round(pose.dy_px)) for pose in poses],
        gains=[layer.gain for layer in drawn.layers],
    )
    for plane in ("y", "u", "v"):
        ours, theirs = (getattr(planes, plane).astype(int) for planes in (got, wanted))
        assert ours.shape == theirs.shape
        assert np.abs(ours - theirs).max() <= 1


def test_it_equals_the_processors_kernel_and_serves_frame_after_frame():
    form, rng = Form(10, "422", "bt709", "limited"), np.random.default_rng(4)
    drawn = stack(48, 32)
    here, there = Merger(drawn, CURVE, form), gpu.GpuMerger(drawn, CURVE, form, software=True)
    for turned in (Pose(), Pose(dx_px=0.4, rotation_deg=0.3)):
        layers = [layer_planes(rng, 48, 32, form) for _ in drawn.layers]
        poses = [Pose(), turned, Pose()]
        ours, theirs = there.merge(layers, poses), here.merge(layers, poses)
        for plane in ("y", "u", "v"):
            difference = getattr(ours, plane).astype(int) - getattr(theirs, plane).astype(int)
            assert np.abs(difference).max() <= 2  # each within one of the definition


def test_a_frame_without_layers_is_dark():
    form = Form(10, "422", "bt709", "limited")
    empty = Stack(width=48, height=32)
    ours = gpu.GpuMerger(empty, CURVE, form, software=True).merge([])
    assert (ours.y == Merger(empty, CURVE, form).merge([]).y).all()


def test_what_is_missing_is_said():
    form = Form(10, "422", "bt709", "limited")
    with pytest.raises(InvalidInput, match="no frame of it was given"):
        gpu.GpuMerger(stack(48, 32), CURVE, form, software=True).merge([None, None, None])
    if set(adapters()) == {"CPU"}:
        with pytest.raises(InvalidInput, match="no graphics processor that can be used"):
            gpu.device()


# --- the core's other functions, which the preview in the browser uses ----------------------------

PROBE = """
@group(1) @binding(0) var<storage, read> asked: array<f32>;
@group(1) @binding(1) var<storage, read_write> told: array<vec4f>;

@compute @workgroup_size(64)
fn alphas(@builtin(global_invocation_id) id: vec3u) {
  let oval = Oval(asked[0], asked[1], asked[2], asked[3], cos(asked[4]), sin(asked[4]));
  let width = u32(asked[6]);
  if (id.x < arrayLength(&told)) {
    told[id.x] = vec4f(oval_alpha(oval, asked[5], vec2f(f32(id.x % width), f32(id.x / width))));
  }
}

@compute @workgroup_size(64)
fn looked_up(@builtin(global_invocation_id) id: vec3u) {
  let place = vec3f(asked[3 * id.x], asked[3 * id.x + 1], asked[3 * id.x + 2]);
  told[id.x] = vec4f(look_up(place), 0.0);
}
"""


def computed(entry: str, asked: np.ndarray, answers: int, lattice: np.ndarray | None = None) -> np.ndarray:
    """Run an entry point of PROBE behind the core."""
    import wgpu

    device = gpu.device(software=True)
    core = gpu.shader("merge").split("struct Layer {")[0]
    module = device.create_shader_module(code=core + PROBE)
    pipeline = device.create_compute_pipeline(layout="auto", compute={"module": module, "entry_point": entry})
    usage = wgpu.BufferUsage.STORAGE | wgpu.BufferUsage.COPY_SRC
    ask = device.create_buffer_with_data(data=asked.astype(np.float32).tobytes(), usage=usage)
    tell = device.create_buffer(size=16 * answers, usage=usage)
    groups = {1: [{"binding": 0, "resource": {"buffer": ask}}, {"binding": 1, "resource": {"buffer": tell}}]}
    if lattice is not None:
        size = lattice.shape[0]
        texture = device.create_texture(
            size=(size, size, size),
            dimension="3d",
            format="rgba32float",
            usage=wgpu.TextureUsage.TEXTURE_BINDING | wgpu.TextureUsage.COPY_DST,
        )
        # Texture x is the lattice's first axis: red.
        texels = np.zeros((size, size, size, 4), np.float32)
        texels[..., :3] = lattice.transpose(2, 1, 0, 3)
        device.queue.write_texture(
            {"texture": texture}, texels, {"bytes_per_row": 16 * size, "rows_per_image": size}, (size, size, size)
        )
        groups[0] = [{"binding": 1, "resource": texture.create_view()}]
    encoder = device.create_command_encoder()
    begun = encoder.begin_compute_pass()
    begun.set_pipeline(pipeline)
    for number, entries in groups.items():
        begun.set_bind_group(
            number, device.create_bind_group(layout=pipeline.get_bind_group_layout(number), entries=entries)
        )
    begun.dispatch_workgroups(-(-answers // 64))
    begun.end()
    device.queue.submit([encoder.finish()])
    return np.frombuffer(device.queue.read_buffer(tell), np.float32).reshape(-1, 4)


@pytest.mark.parametrize("feather", [0.0, 7.5])
def test_ovals_have_the_defined_alpha(feather):
    oval = Oval(x=30.3, y=22.1, rx=17, ry=9, rotation_deg=-28)
    asked = np.array([oval.x, oval.y, oval.rx, oval.ry, np.deg2rad(oval.rotation_deg), feather, 64])
    got = computed("alphas", asked, 64 * 48)[:, 0].reshape(48, 64)
    wanted = pixels.shape_alpha(oval, feather, np.arange(64)[None, :], np.arange(48)[:, None])
    np.testing.assert_allclose(got, wanted, atol=2e-5)  # single precision, a distance of up to 40 pixels


def test_the_lattice_is_read_as_defined():
    rng = np.random.default_rng(5)
    lattice = rng.random((9, 9, 9, 3))
    places = rng.uniform(-0.2, 8.2, (640, 3))
    places[:60] = np.round(places[:60] * 2) / 2  # ties, and points of the lattice itself
    got = computed("looked_up", places.ravel(), len(places), lattice)[:, :3]
    np.testing.assert_allclose(got, pixels.look_up(lattice, places.astype(np.float32)), atol=2e-6)
