"""How does a plan leave? Meshes, tables, standard objects and the bundle that another installation opens."""
