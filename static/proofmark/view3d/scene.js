// The part on the graphics card. Draws when it is told to, never by itself.

import { THREE } from "../../three/three.js";
import { COLOURS, GRAPHITE, NOT_MEASURED, STIPPLE } from "./scale.js";
import * as shaders from "./shaders.js";

const LINE = 1.5, POINT = 2.4;

export class Scene {
  constructor(canvas, data) {
    this.renderer = new THREE.WebGLRenderer({ canvas, alpha: true, antialias: true, powerPreference: "low-power" });
    this.renderer.setClearColor(0x000000, 0);
    this.renderer.sortObjects = false;
    this.eye = new THREE.OrthographicCamera();
    this.eye.matrixAutoUpdate = false;
    this.scene = new THREE.Scene();
    this.shared = { unit: { value: 1 }, screen: { value: new THREE.Vector2(1, 1) }, upward: { value: new THREE.Vector3() } };
    this.data = data;
    if (data.points) this.scene.add(this.cloud());
    else this.scene.add(this.surface(), this.lines());
    this.drawn = 0;
  }

  surface() {
    const data = this.data, shape = new THREE.BufferGeometry();
    shape.setAttribute("position", new THREE.BufferAttribute(data.vertices, 3));
    shape.setAttribute("normal", new THREE.BufferAttribute(data.normals, 3, true));
    shape.setIndex(new THREE.BufferAttribute(data.faces, 1));
    if (data.deviation) {
      shape.setAttribute("deviation", new THREE.BufferAttribute(filled(data.deviation, data.faces), 1));
      shape.setAttribute("share", new THREE.BufferAttribute(data.share, 1, true));
      if (data.limits) shape.setAttribute("limits", new THREE.BufferAttribute(data.limits, 2));
    }
    this.material = data.deviation ? this.mapped() : this.plain();
    const mesh = new THREE.Mesh(shape, this.material);
    mesh.frustumCulled = false;
    return mesh;
  }

  mapped() {
    const data = this.data;
    return new THREE.ShaderMaterial({
      vertexShader: shaders.SURFACE_VERTEX,
      fragmentShader: shaders.SURFACE_FRAGMENT,
      defines: data.limits ? { OWN_LIMITS: "" } : {},
      side: THREE.DoubleSide,
      uniforms: {
        ...this.shared,
        ...(data.limits ? {} : { limits: { value: new THREE.Vector2(data.lower, data.upper) } }),
        edges: { value: new Float32Array(8) },
        colours: { value: COLOURS.map(colour) },
        blank: { value: colour(NOT_MEASURED) },
        stipple: { value: colour(STIPPLE) },
        graphite: { value: colour(GRAPHITE) },
        inside: { value: colour("#c4cad0") },
        guard: { value: data.guard },
        stretch: { value: 1 },
        unmeasured: { value: true },
        closed: { value: data.closed },
      },
    });
  }

  plain() {
    const uniforms = { paper: colour("#fcfcfa"), rule: colour("#c4cad0"), graphite: colour(GRAPHITE) };
    return new THREE.ShaderMaterial({
      vertexShader: shaders.PLAIN_VERTEX,
      fragmentShader: shaders.PLAIN_FRAGMENT,
      side: THREE.DoubleSide,
      uniforms: { ...this.shared, ...values(uniforms) },
    });
  }

  lines() {
    const { vertices, lines } = this.data, count = lines.length / 2;
    const ends = [new Float32Array(3 * count), new Float32Array(3 * count)];
    for (let i = 0; i < lines.length; i += 1) {
      const row = 3 * lines[i];
      ends[i % 2].set(vertices.subarray(row, row + 3), 3 * (i >> 1));
    }
    const shape = new THREE.InstancedBufferGeometry();
    const strip = new Float32Array([0, -1, 0, 0, 1, 0, 1, -1, 0, 1, 1, 0]);
    shape.setAttribute("position", new THREE.BufferAttribute(strip, 3));
    shape.setIndex([0, 2, 1, 1, 2, 3]);
    shape.setAttribute("start", new THREE.InstancedBufferAttribute(ends[0], 3));
    shape.setAttribute("end", new THREE.InstancedBufferAttribute(ends[1], 3));
    shape.instanceCount = count;
    this.strokes = new THREE.ShaderMaterial({
      vertexShader: shaders.LINE_VERTEX,
      fragmentShader: shaders.FLAT_FRAGMENT,
      side: THREE.DoubleSide,
      uniforms: { ...this.shared, ...values({ graphite: colour(GRAPHITE), width: LINE, nearer: 0 }) },
    });
    const mesh = new THREE.Mesh(shape, this.strokes);
    mesh.frustumCulled = false;
    return mesh;
  }

  cloud() {
    const shape = new THREE.BufferGeometry();
    shape.setAttribute("position", new THREE.BufferAttribute(this.data.points, 3));
    this.material = new THREE.ShaderMaterial({
      vertexShader: shaders.POINT_VERTEX,
      fragmentShader: shaders.POINT_FRAGMENT,
      uniforms: { ...this.shared, ...values({ near: colour(GRAPHITE), far: colour("#b4bac2"), size: POINT }) },
    });
    const points = new THREE.Points(shape, this.material);
    points.frustumCulled = false;
    return points;
  }

  // edges: of the bands, mm. stretch: of the limits. unmeasured: whether it is shown.
  look({ edges, stretch, unmeasured }) {
    const uniforms = this.material.uniforms;
    uniforms.edges.value.set(edges);
    uniforms.stretch.value = stretch;
    uniforms.unmeasured.value = unmeasured;
  }

  resize(width, height, ratio) {
    this.renderer.setPixelRatio(ratio);
    this.renderer.setSize(width, height, false);
    this.shared.unit.value = ratio;
    this.shared.screen.value.set(width * ratio, height * ratio);
    if (this.strokes) this.strokes.uniforms.width.value = LINE * ratio;
    if (this.data.points) this.material.uniforms.size.value = POINT * ratio;
  }

  draw(camera) {
    const { right, up, toward } = camera.axes(), far = camera.far(), eye = this.eye;
    const [x, y] = [camera.width / 2 / camera.scale, camera.height / 2 / camera.scale];
    Object.assign(eye, { left: -x, right: x, top: y, bottom: -y, near: 0, far: 2 * far });
    eye.updateProjectionMatrix();
    eye.matrix.makeBasis(...[right, up, toward].map((way) => new THREE.Vector3(...way)));
    eye.matrix.setPosition(...camera.target.map((value, axis) => value + toward[axis] * far));
    eye.matrixWorldNeedsUpdate = true;
    this.shared.upward.value.set(right[2], up[2], toward[2]);
    // Lines stand before the faces that meet in them by about two pixels.
    if (this.strokes) this.strokes.uniforms.nearer.value = 2.2 / camera.scale / far;
    this.renderer.render(this.scene, eye);
    this.drawn += 1;
  }

  close() {
    this.scene.traverse((one) => {
      one.geometry?.dispose();
      one.material?.dispose();
    });
    this.renderer.dispose();
  }
}

const values = (given) => Object.fromEntries(Object.entries(given).map(([name, value]) => [name, { value }]));

// Colours as they are written, without a change of colour space on the way.
function colour(code) {
  const parts = [1, 3, 5].map((at) => parseInt(code.slice(at, at + 2), 16) / 255);
  return new THREE.Vector3(...parts);
}

// Corners that know of no measured neighbour take the mean of the corners beside them, so that a triangle at the edge of
// what was measured can be drawn; where it counts as measured is told by the share alone.
function filled(deviation, faces) {
  const values = Float32Array.from(deviation), sums = new Float32Array(values.length), counts = new Uint16Array(values.length);
  for (let i = 0; i < faces.length; i += 3) {
    const known = [faces[i], faces[i + 1], faces[i + 2]].filter((row) => !Number.isNaN(deviation[row]));
    if (known.length === 3 || known.length === 0) continue;
    const mean = known.reduce((sum, row) => sum + deviation[row], 0) / known.length;
    for (let corner = 0; corner < 3; corner += 1) {
      const row = faces[i + corner];
      if (Number.isNaN(deviation[row])) {
        sums[row] += mean;
        counts[row] += 1;
      }
    }
  }
  for (let row = 0; row < values.length; row += 1) {
    if (Number.isNaN(values[row])) values[row] = counts[row] ? sums[row] / counts[row] : 0;
  }
  return values;
}
