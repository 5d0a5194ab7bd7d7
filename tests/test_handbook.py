"""Handbook formulae against tabulated values; R: read in a published text, M: from memory, C: computed from it."""
import numpy as np
import pytest
from more import chosen

from edge import handbook
from edge.materials import MATERIALS
from edge.rig import GEOMETRIES

ALPHA = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7)


@pytest.mark.parametrize("factor, expected", [
    (handbook.ct_factor, (4.274, 5.621, 7.279, 9.659, 13.654, 21.552)),            # E647 C(T): C of a form M
    (handbook.eset_factor, (2.578, 3.561, 4.912, 6.934, 10.265, 16.625)),          # E647 ESE(T): C of a form M
    (handbook.sent_tension_factor, (1.367, 1.655, 2.108, 2.827, 4.043)),           # Tada-Paris-Irwin: C of a form M
])
def test_factors_equal_the_same_forms_worked_out_by_hand(factor, expected):
    assert factor(np.array(ALPHA[:len(expected)])) == pytest.approx(expected, abs=6e-4)


def test_sent_agrees_with_the_polynomial_of_another_handbook():
    """1.12 - 0.231 a + ... (R), 0.5 % each (M), so together 1 %; below a/W = 0.15 they differ by up to 1.4 %."""
    a = np.linspace(0.15, 0.6, 10)
    polynomial = 1.12 - 0.231 * a + 10.55 * a**2 - 21.72 * a**3 + 30.39 * a**4
    assert handbook.sent_tension_factor(a) == pytest.approx(polynomial, rel=0.01)


def test_sent_limits_are_the_edge_crack_of_a_half_plane_and_pure_bending():
    """F = 1.1215 for a/W to 0 in tension and in bending (Koiter; M)."""
    assert handbook.sent_tension_factor(1e-6) == pytest.approx(1.1215, rel=0.005)
    assert handbook.sent_bending_factor(1e-6) == pytest.approx(1.1215, rel=0.005)


@pytest.mark.parametrize("length_over_width, expected", [(10, 2.22), (4, 1.73)])   # C, compliance method
def test_clamped_sent_equals_its_compliance_form_worked_out_by_hand(length_over_width, expected):
    assert handbook.sent_clamped_factor(0.5, length_over_width) == pytest.approx(expected, abs=0.005)


def test_clamped_sent_tends_to_free_rotation_when_long():
    assert handbook.sent_clamped_factor(0.4, 1e5) == pytest.approx(handbook.sent_tension_factor(0.4), rel=1e-3)


def finite_element_clamped_factor(alpha, length_over_width, columns=40):
    """K of a clamped SENT, W = B = E = 1, from the energy release between two meshed cracks (own finite elements)."""
    import skfem as fem
    from skfem.models.elasticity import lame_parameters, linear_elasticity
    poisson, pull = 0.3, 1.0
    y = np.concatenate([np.linspace(0, 0.5, columns // 2 + 1), np.geomspace(0.53, length_over_width / 2, 16)])
    mesh = fem.MeshQuad.init_tensor(np.linspace(0, 1, columns + 1), y)
    basis = fem.Basis(mesh, fem.ElementVector(fem.ElementQuad2()))
    lam, mu = lame_parameters(1.0, poisson)
    plane_stress_lam = 2 * lam * mu / (lam + 2 * mu)
    stiffness = linear_elasticity(plane_stress_lam, mu).assemble(basis)
    top = basis.get_dofs(lambda x: x[1] == y[-1])

    def strain_energy(size):
        ahead = basis.get_dofs(lambda x: (x[1] == 0) & (x[0] > size - 1e-9)).all(["u^2"])
        u = basis.zeros()
        u[top.all(["u^2"])] = pull
        u = fem.solve(*fem.condense(stiffness, x=u, D=np.unique(np.concatenate([top.all(), ahead]))))
        return u @ stiffness @ u / 2

    step = 1 / columns
    release = -2 * (strain_energy(alpha + step) - strain_energy(alpha - step)) / (2 * step)
    stress = 2 * strain_energy(alpha) / pull
    return np.sqrt(release) / (stress * np.sqrt(np.pi * alpha))


@pytest.mark.parametrize("alpha, length_over_width", chosen([(0.3, 4), (0.5, 4), (0.5, 10)], 1))
def test_clamped_sent_agrees_with_finite_elements(alpha, length_over_width):
    expected = finite_element_clamped_factor(alpha, length_over_width)
    assert handbook.sent_clamped_factor(alpha, length_over_width) == pytest.approx(expected, rel=0.02)


def test_small_middle_crack_is_the_crack_of_the_infinite_plate():
    """K = sigma sqrt(pi a) (Westergaard 1939): 50 kN over 500 mm x 2 mm is 50 MPa, a = 2 mm."""
    found = handbook.delta_K_MPa_sqrt_m("MT", 50.0, 2.0, 500.0, 2.0)
    assert found == pytest.approx(50 * np.sqrt(np.pi * 0.002), rel=1e-3)


@pytest.mark.parametrize("geometry, width_mm, expected", [
    # C(T), a/W = 0.5: 1000 N x 9.659/(10 mm x sqrt(50 mm)) = 136.60 N/mm^1.5; x sqrt(1e-3) = 4.320 MPa sqrt(m)
    ("CT", 50.0, 4.320),
    # SENT, a/W = 0.5: 1000 N/(10 mm x 50 mm) = 2 MPa; x sqrt(pi x 0.025 m) x 2.827 = 1.5845 MPa sqrt(m)
    ("SENT", 50.0, 1.5845),
    # M(T), 2a/W = 0.5: 1000 N/10 mm x sqrt(pi x 0.5/200 mm x sec 45 deg) = 10.539 N/mm^1.5 = 0.33327 MPa sqrt(m)
    ("MT", 100.0, 0.33327),
])
def test_units_of_delta_K_by_hand(geometry, width_mm, expected):
    assert handbook.delta_K_MPa_sqrt_m(geometry, 1.0, 25.0, width_mm, 10.0) == pytest.approx(expected, rel=5e-4)


@pytest.mark.parametrize("ratio, tensile_kN", [(0.5, 10.0), (0.0, 10.0), (-0.25, 8.0), (-1.0, 5.0)])
def test_of_a_load_that_goes_into_compression_the_tensile_part_counts(ratio, tensile_kN):
    """E647 (M): from -5 to 5 kN, dK is that of 5 kN."""
    assert handbook.tensile_range_kN(10.0, ratio) == pytest.approx(tensile_kN)
    assert handbook.maximum(10.0, ratio) == pytest.approx({0.5: 20.0, 0.0: 10.0, -0.25: 8.0, -1.0: 5.0}[ratio])


def test_a_load_that_is_compressive_throughout_has_no_tensile_part():
    assert np.isnan(handbook.tensile_range_kN([4.0, 4.0], [10.0, 1.001])).all() and handbook.tensile_range_kN(4.0, 0.9) == 4.0


def test_outside_its_range_a_solution_gives_no_number():
    assert np.isnan(handbook.delta_K_MPa_sqrt_m("CT", 1.0, 5.0, 50.0, 10.0))
    assert np.isnan(handbook.delta_K_MPa_sqrt_m("MT", 1.0, [24.5, 30.0, np.nan], 50.0, 10.0)).all()
    assert np.isnan(handbook.delta_K_MPa_sqrt_m("plate", 1.0, 5.0, 50.0, 10.0))
    assert np.isnan(handbook.biaxiality("SENT", 0.7)) and np.isnan(handbook.biaxiality("CT", 0.5))
    with pytest.raises(ValueError):
        handbook.solution("SENT-clamped")


def test_every_geometry_of_the_rig_file_has_an_answer():
    for geometry in GEOMETRIES:
        value = handbook.delta_K_MPa_sqrt_m(geometry, [1.0, 2.0], 10.0, 40.0, 4.0, free_length_mm=160.0)
        assert value.shape == (2,) and (np.isnan(value).all() or value[1] == pytest.approx(2 * value[0]))


def test_t_stress_of_the_sent_is_that_of_finite_elements():
    """T/sigma = -0.61 at a/W = 1/3 (C, finite elements); the table is a collocation (C)."""
    K = handbook.delta_K_MPa_sqrt_m("SENT", 12.0, 10.0, 30.0, 4.0)                 # sigma = 100 MPa
    assert handbook.t_stress_MPa("SENT", K, 10.0, 30.0) == pytest.approx(-61, abs=2)


def test_t_stress_of_a_small_middle_crack_is_minus_the_stress():
    K = handbook.delta_K_MPa_sqrt_m("MT", 100.0, 1.0, 500.0, 2.0)                  # sigma = 100 MPa
    assert handbook.t_stress_MPa("MT", K, 1.0, 500.0) == pytest.approx(-100, rel=1e-3)


def test_plastic_zones():
    """By hand: (20/400)^2/(2 pi) m = 0.398 mm; reversed zone a quarter, plane strain a third (Irwin, Rice; M)."""
    assert handbook.plastic_zone_radius_mm(20.0, 400.0) == pytest.approx(0.3979, abs=1e-4)
    assert handbook.plastic_zone_radius_mm(20.0, 400.0, plane_strain=True) == pytest.approx(0.1326, abs=1e-4)
    assert handbook.cyclic_zone_radius_mm(20.0, 400.0) == pytest.approx(0.0995, abs=1e-4)


K0_PER_MPA = {                                        # alpha/(rho cp) in 1e-6 per MPa: C; expansion R, density and heat M
    "mild steel": 3.07, "304": 4.30, "316": 3.98, "2024": 9.45, "7075": 8.71, "Ti-6Al-4V": 3.69,
}


def test_thermoelastic_constants_of_the_presets():
    assert {m.name: m.thermoelastic_constant_per_MPa for m in MATERIALS} == {
        name: pytest.approx(1e-6 * expected, rel=5e-3) for name, expected in K0_PER_MPA.items()}


@pytest.mark.parametrize("diffusivity, expected", [                                # D in mm^2/s M; lengths C
    (14.0, (2.111, 0.944, 0.668, 0.472)), (4.1, (1.142, 0.511, 0.361, 0.255)),
    (50.0, (3.989, 1.784, 1.262, 0.892)), (2.9, (0.961, 0.430, 0.304, 0.215)),
])
def test_diffusion_length(diffusivity, expected):
    assert handbook.diffusion_length_mm(diffusivity, [1, 5, 10, 20]) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("constraint, expected", [(1, 0.491), (2.5, 0.292), (3, 0.262)])    # C of a form M
def test_newman_opening(constraint, expected):
    assert handbook.newman_opening(0.1, 0.3, constraint) == pytest.approx(expected, abs=6e-4)


def test_newman_opening_never_falls_below_the_minimum_load_and_joins_at_zero_ratio():
    ratio = np.linspace(0, 0.99, 50)
    opening = handbook.newman_opening(ratio, 0.3, 1)
    assert (opening >= ratio).all() and (opening[-3:] == pytest.approx(ratio[-3:], abs=0.02))
    assert handbook.newman_opening(-1e-9, 0.3, 2) == pytest.approx(handbook.newman_opening(0.0, 0.3, 2), abs=1e-6)


def test_effective_fraction():
    """U = (1 - Pop/Pmax)/(1 - R) by hand: 0.5/0.9; never above 1."""
    assert handbook.effective_fraction(0.1, 0.5) == pytest.approx(0.5556, abs=1e-4)
    assert handbook.effective_fraction(0.6, 0.6) == 1.0 and handbook.effective_fraction(0.6, 0.3) == 1.0


@pytest.mark.parametrize("ratio, K_max", [(0.0, 18.0), (0.1, 20.0), (0.5, 36.0), (-1.0, 18.0), (-3.0, 18.0)])
def test_K_at_maximum_load_of_a_range_that_is_tensile_below_zero(ratio, K_max):
    """ASTM E647 (from memory): dK = K_max for R <= 0."""
    assert handbook.maximum_K(18.0, ratio) == pytest.approx(K_max)


def test_a_crack_that_opens_for_half_a_sine_shows_the_tensile_part_at_1f():
    """Fourier series of a rectified sine (any handbook): at R = -1 its first harmonic is half of the sine's."""
    phase = 2 * np.pi * (np.arange(1000) + 0.5) / 1000
    shown = 2 * np.mean(np.maximum(np.sin(phase), 0) * np.sin(phase))
    assert 2 * shown == pytest.approx(float(handbook.tensile_range_kN(2.0, -1.0)), rel=1e-3)


def test_the_ends_of_a_range_belong_to_it_whatever_the_width():
    """0.2 W over W comes out a bit below 0.2 for some widths."""
    width_mm = np.arange(10.0, 200.5, 0.5)
    for relative in (0.2, 0.95):
        dK = [float(handbook.delta_K_MPa_sqrt_m("CT", 4.0, relative * w, w, 6.0)) for w in width_mm]
        assert np.isfinite(dK).all()
