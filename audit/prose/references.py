"""Sources that the texts cite: of the methods as named in the estimators, and of the guidelines."""

from __future__ import annotations

from collections.abc import Iterable

from audit.document import Reference
from schemas import vocabulary

#: key -> (citation as printed, DOI or empty)
_METHODS: dict[str, tuple[str, str]] = {
    "student1908": ("Student. The probable error of a mean. Biometrika 1908;6:1-25.", ""),
    "hyndman1996": (
        "Hyndman RJ, Fan Y. Sample quantiles in statistical packages. Am Stat 1996;50:361-365.",
        "10.1080/00031305.1996.10473566",
    ),
    "conover1999": (
        "Conover WJ. Practical Nonparametric Statistics. 3rd ed. 1999, section 3.2.",
        "",
    ),
    "cochran1977": ("Cochran WG. Sampling Techniques. 3rd ed. 1977, section 6.3.", ""),
    "wilson1927": (
        "Wilson EB. Probable inference, the law of succession, and statistical inference. J Am "
        "Stat Assoc 1927;22:209-212.",
        "10.1080/01621459.1927.10502953",
    ),
    "clopper1934": (
        "Clopper CJ, Pearson ES. The use of confidence or fiducial limits illustrated in the case "
        "of the binomial. Biometrika 1934;26:404-413.",
        "10.1093/biomet/26.4.404",
    ),
    "garwood1936": (
        "Garwood F. Fiducial limits for the Poisson distribution. Biometrika 1936;28:437-442.",
        "10.1093/biomet/28.3-4.437",
    ),
    "bland1999": (
        "Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med "
        "Res 1999;8:135-160.",
        "10.1177/096228029900800204",
    ),
    "carkeet2015": (
        "Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. "
        "Optom Vis Sci 2015;92:e71-e80.",
        "10.1097/OPX.0000000000000513",
    ),
    "kaplan1958": (
        "Kaplan EL, Meier P. Nonparametric estimation from incomplete observations. J Am Stat "
        "Assoc 1958;53:457-481.",
        "10.1080/01621459.1958.10501452",
    ),
    "kalbfleisch1980": (
        "Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data. 1980.",
        "",
    ),
    "brookmeyer1982": (
        "Brookmeyer R, Crowley J. A confidence interval for the median survival time. Biometrics "
        "1982;38:29-41.",
        "10.2307/2530286",
    ),
    "klein2003": (
        "Klein JP, Moeschberger ML. Survival Analysis. 2nd ed. 2003, section 4.5.",
        "",
    ),
    "aalen1978": (
        "Aalen OO, Johansen S. An empirical transition matrix for non-homogeneous Markov chains "
        "based on censored observations. Scand J Stat 1978;5:141-150.",
        "",
    ),
    "turnbull1976": (
        "Turnbull BW. The empirical distribution function with arbitrarily grouped, censored and "
        "truncated data. J R Stat Soc B 1976;38:290-295.",
        "10.1111/j.2517-6161.1976.tb01597.x",
    ),
    "sen2015": (
        "Sen B, Xu G. Model based bootstrap methods for interval censored data. Comput Stat Data "
        "Anal 2015;81:121-129.",
        "",
    ),
    "liang1986": (
        "Liang KY, Zeger SL. Longitudinal data analysis using generalized linear models. "
        "Biometrika 1986;73:13-22.",
        "10.1093/biomet/73.1.13",
    ),
    "cameron2015": (
        "Cameron AC, Miller DL. A practitioner's guide to cluster-robust inference. J Hum Resour "
        "2015;50:317-372.",
        "10.3368/jhr.50.2.317",
    ),
    "korn1998": (
        "Korn EL, Graubard BI. Confidence intervals for proportions with small expected number of "
        "positive counts estimated from survey data. Surv Methodol 1998;24:193-201.",
        "",
    ),
    "davison1997": (
        "Davison AC, Hinkley DV. Bootstrap Methods and their Application. 1997, section 3.8.",
        "",
    ),
    "therneau2000": (
        "Therneau TM, Grambsch PM. Modeling Survival Data. 2000, section 8.2.",
        "",
    ),
    "donner1986": (
        "Donner A. A review of inference procedures for the intraclass correlation coefficient in "
        "the one-way random effects model. Int Stat Rev 1986;54:67-82.",
        "",
    ),
    "schemper1996": (
        "Schemper M, Smith TL. A note on quantifying follow-up in studies of failure time. "
        "Control Clin Trials 1996;17:343-346.",
        "10.1016/0197-2456(96)00075-X",
    ),
    "clark2002": (
        "Clark TG, Altman DG, De Stavola BL. Quantification of the completeness of follow-up. "
        "Lancet 2002;359:1309-1310.",
        "10.1016/S0140-6736(02)08272-7",
    ),
    "austin2009": (
        "Austin PC. Balance diagnostics for comparing the distribution of baseline covariates "
        "between treatment groups in propensity-score matched samples. Stat Med 2009;28:3083-3107.",
        "10.1002/sim.3697",
    ),
    "cox1972": (
        "Cox DR. Regression models and life-tables. J R Stat Soc B 1972;34:187-220.",
        "10.1111/j.2517-6161.1972.tb00899.x",
    ),
    "peduzzi1995": (
        "Peduzzi P, Concato J, Feinstein AR, Holford TR. Importance of events per independent "
        "variable in proportional hazards regression analysis. II. Accuracy and precision of "
        "regression estimates. J Clin Epidemiol 1995;48:1503-1510.",
        "10.1016/0895-4356(95)00048-8",
    ),
    "lin1989": (
        "Lin DY, Wei LJ. The robust inference for the Cox proportional hazards model. J Am Stat "
        "Assoc 1989;84:1074-1078.",
        "10.1080/01621459.1989.10478874",
    ),
}
_GUIDES: dict[str, tuple[str, str]] = {
    "vonelm2007": (
        "von Elm E, Altman DG, Egger M, et al. The Strengthening the Reporting of Observational "
        "Studies in Epidemiology (STROBE) statement. PLoS Med 2007;4:e296.",
        "10.1371/journal.pmed.0040296",
    ),
    "benchimol2015": (
        "Benchimol EI, Smeeth L, Guttmann A, et al. The REporting of studies Conducted using "
        "Observational Routinely-collected health Data (RECORD) statement. PLoS Med "
        "2015;12:e1001885.",
        "10.1371/journal.pmed.1001885",
    ),
    "mathew2023": (
        "Mathew G, Sohrabi C, Franchi T, et al. Preferred Reporting Of CasE Series in Surgery "
        "(PROCESS) 2023 guidelines. Int J Surg 2023;109:3760-3769.",
        "10.1097/JS9.0000000000000940",
    ),
    "bryant2006": (
        "Bryant D, Havey TC, Roberts R, Guyatt G. How many patients? How many limbs? Analysis of "
        "patients or limbs in the orthopaedic literature: a systematic review. J Bone Joint Surg "
        "Am 2006;88:41-45.",
        "10.2106/JBJS.E.00272",
    ),
    "lee2021": (
        "Lee KJ, Tilling KM, Cornish RP, et al. Framework for the treatment and reporting of "
        "missing data in observational studies. J Clin Epidemiol 2021;134:79-88.",
        "10.1016/j.jclinepi.2021.01.008",
    ),
    "cole2015": (
        "Cole TJ. Too many digits: the presentation of numerical data. Arch Dis Child "
        "2015;100:608-609.",
        "10.1136/archdischild-2014-307149",
    ),
    "paley1990": (
        "Paley D. Problems, obstacles, and complications of limb lengthening by the Ilizarov "
        "technique. Clin Orthop Relat Res 1990;(250):81-104.",
        "",
    ),
    "black2015": (f"{vocabulary.SOURCES['severity_type'].split(', DOI')[0]}.",
                  "10.1080/17453674.2020.1835321"),
}  # fmt: skip
METHOD_KEYS = tuple(_METHODS)
REFERENCES: dict[str, Reference] = {
    key: Reference(key, text, doi) for key, (text, doi) in (_METHODS | _GUIDES).items()
}


def cite(*keys: str) -> str:
    """`[@key]` of each key, as the writer of the document numbers them. KeyError: no such key."""
    return "".join(f"[@{REFERENCES[key].key}]" for key in keys)


def cited(texts: Iterable[str]) -> tuple[Reference, ...]:
    """The references that some texts cite, in the order of first appearance."""
    whole = "\n".join(texts)
    places = {key: whole.find(f"[@{key}]") for key in REFERENCES}
    found = sorted((place, key) for key, place in places.items() if place >= 0)
    return tuple(REFERENCES[key] for _, key in found)
