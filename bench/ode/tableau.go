package ode

const stageCount = 6

// tableau holds a Rosenbrock method in the transformed form of Hairer and
// Wanner, Solving Ordinary Differential Equations II (1996), section IV.7,
// which needs no product with the Jacobian:
//
//	(I/(h γ) − J) u_i = f(t0 + α_i h, y0 + Σ_j a_ij u_j) + Σ_j (c_ij/h) u_j + h γ_i ∂f/∂t
//	ŷ1 = y0 + Σ_{j<6} a_6j u_j      (order 3)
//	y1 = ŷ1 + u_6                   (order 4)
//	y(t0+θh) = (1−θ) y0 + θ (y1 + (1−θ) (k1 + θ k2)),  k1 = Σ d1_j u_j, k2 = Σ d2_j u_j
type tableau struct {
	gamma  float64
	alpha  [stageCount]float64             // α_i
	gammas [stageCount]float64             // γ_i
	a, c   [stageCount][stageCount]float64 // strictly lower
	d1, d2 [stageCount]float64
}

// rodas4p2 is RODAS4P2 of G. Steinebach, "Improvement of Rosenbrock-Wanner
// method RODASP", in Progress in Differential-Algebraic Equations II, Springer
// 2020, pp. 165-184. Compared with RODAS of Hairer and Wanner it does not lose
// order on stiff forcing (Prothero-Robinson) and keeps order 2 with any
// Jacobian. TestTableau verifies every order condition.
var rodas4p2 = tableau{
	gamma:  0.25,
	alpha:  [stageCount]float64{0, 0.75, 0.321448134013046, 0.519745732277726, 1, 1},
	gammas: [stageCount]float64{0.25, -0.5, -0.189532918363016, 0.085612108792769, 0, 0},
	a: [stageCount][stageCount]float64{
		{},
		{3},
		{0.906377755268814, -0.189707390391685},
		{3.758617027739064, 1.161741776019525, -0.849258085312803},
		{7.089566927282776, 4.573591406461604, -8.423496976860259, -0.959280113459775},
		{7.089566927282776, 4.573591406461604, -8.423496976860259, -0.959280113459775, 1},
	},
	c: [stageCount][stageCount]float64{
		{},
		{-12},
		{-6.354581592719008, 0.338972550544623},
		{-8.575016317114033, -7.606483992117508, 12.22499765012482},
		{-5.888975457523102, -8.157396617841821, 24.805546872612922, 12.790401512796979},
		{-4.408651676063871, -6.692003137674639, 24.625568527593117, 16.627521966636085, -5.714285714285718},
	},
	d1: [stageCount]float64{-5.323528268423303, -10.042123754867493, 17.175254928256965, -5.079931171878093, -0.016185991706112, 0},
	d2: [stageCount]float64{6.984505741529879, 6.914061169603662, -0.849178943070653, 18.104410789349338, -3.516963011559032, 0},
}
