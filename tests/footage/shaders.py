"""The three pairs of GLSL programs: people and stumps in sun and sky light, textured quads, a shadow on the ground."""

_SOLID = ("""#version 330
uniform mat4 M; in vec3 p; in vec3 n; in vec3 c; out vec3 N; out vec3 C; out vec3 P;
void main() { gl_Position = M * vec4(p, 1); N = n; C = c; P = p; }
""", """#version 330
uniform vec3 eye; uniform vec3 sun; in vec3 N; in vec3 C; in vec3 P; out vec4 o;
void main() {
    vec3 n = normalize(N), v = normalize(eye - P);
    float d = max(dot(n, sun), 0.), h = .5 + .5 * n.z;
    float shine = pow(max(dot(n, normalize(v + sun)), 0.), 24.) * .10;
    float low = clamp(.72 + .28 * P.z, 0., 1.);                  // darker near the ground
    vec3 sky = mix(vec3(.30, .31, .27), vec3(.52, .56, .62), h) * low;
    o = vec4(C * (sky + vec3(.62, .59, .53) * d) + shine * d, 1.);
}
""")
_TEXTURED = ("""#version 330
uniform mat4 M; in vec3 p; in vec2 t; out vec2 T;
void main() { gl_Position = M * vec4(p, 1); T = t; }
""", """#version 330
uniform sampler2D S; in vec2 T; out vec4 o;
void main() { o = texture(S, T); }
""")
_SHADOW = ("""#version 330
uniform mat4 M; uniform vec3 sun; in vec3 p;
void main() { vec3 q = p - sun * (p.z / sun.z); q.z = .006; gl_Position = M * vec4(q, 1); }
""", """#version 330
out vec4 o;
void main() { o = vec4(0., 0., 0., .55); }
""")
PAIRS = (_SOLID, _TEXTURED, _SHADOW)
